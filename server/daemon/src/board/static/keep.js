// Forms that are never lost: each is kept in this browser from the moment it is sent until the server has answered it. The
// same form is sent again with the same key, so that it has its effect once however often it arrives.
"use strict";

const PLACE = "ventmile-unsent";
const AGAIN_MS = 15000;
const here = () => location.pathname + location.search;

const read = () => {
  try {
    return JSON.parse(localStorage.getItem(PLACE)) || {};
  } catch {
    return {};
  }
};
const write = (kept) => localStorage.setItem(PLACE, JSON.stringify(kept));

const change = (name, entry) => {
  const kept = read();
  if (entry) kept[name] = entry;
  else delete kept[name];
  write(kept);
  show();
};

// The server's clock, as far as this page knows it.
const made = document.querySelector("footer time");
const ahead = made ? Date.parse(made.dateTime) - Date.now() : 0;
const now = () => new Date(Date.now() + ahead).toISOString();

const element = (name, text, parent) => {
  const made = document.createElement(name);
  if (text) made.textContent = text;
  parent.append(made);
  return made;
};

// The list of what has not arrived yet, on every page that has this script.
const show = () => {
  const entries = Object.entries(read());
  let box = document.getElementById("unsent");
  if (!box) {
    box = document.createElement("div");
    box.id = "unsent";
    box.setAttribute("aria-live", "polite");
    document.querySelector("main h1").after(box);
  }
  box.replaceChildren();
  if (!entries.length) return;
  const list = element("section", "", box);
  list.className = "unsent";
  list.setAttribute("aria-label", "Not sent yet");
  element("p", "Not sent yet. It stays here until the server has answered; nothing is lost when you close the page.", list);
  const items = element("ul", "", list);
  for (const [name, entry] of entries) {
    const item = element("li", `${entry.says}: ${entry.state}. `, items);
    if (entry.refused) {
      const link = element("a", "Correct it", item);
      link.href = `${entry.page}#${entry.form}`;
      const drop = element("button", "Throw it away", item);
      drop.type = "button";
      drop.onclick = () => change(name, null);
    } else {
      const again = element("button", "Send now", item);
      again.type = "button";
      again.onclick = sendAll;
    }
  }
};

const token = () => document.querySelector("input[name=csrf]")?.value || "";

// A session that was begun anew has another token.
const freshToken = async () => {
  const answer = await fetch(here(), { cache: "no-store" });
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  return page.querySelector("input[name=csrf]")?.value || "";
};

const post = (entry, csrf) =>
  fetch(entry.action, {
    method: "POST",
    headers: { "x-csrf-token": csrf, "content-type": "application/x-www-form-urlencoded" },
    body: new URLSearchParams(entry.fields),
  });

// What was typed on the same view of the order goes on with the version that the first of it made.
const follow = (entry, page) => {
  const version = (fields) => fields.find(([name]) => name === "version")?.[1];
  const next = page.querySelector(`form[data-keep="${CSS.escape(entry.of)}"] input[name=version]`)?.value;
  const kept = read();
  for (const other of Object.values(kept)) {
    if (next && !other.tried && other.of === entry.of && version(other.fields) === version(entry.fields)) {
      other.fields = other.fields.map(([name, value]) => [name, name === "version" ? next : value]);
    }
  }
  write(kept);
};

// Sends one; true when the server has taken it, false when it refused, null when it is to be tried again.
const send = async (name, entry) => {
  let answer;
  try {
    const sent = { ...entry, tried: true };
    change(name, sent);
    answer = await post(sent, token());
    if (answer.status === 403) answer = await post(sent, await freshToken());
  } catch {
    change(name, { ...entry, tried: true, state: "no connection, it is sent again by itself" });
    return null;
  }
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  if (answer.ok) {
    follow(entry, page);
    change(name, null);
    return answer.url;
  }
  const later = answer.status >= 500 || answer.status === 429 || answer.status === 408 || answer.headers.has("retry-after");
  if (later) {
    change(name, { ...entry, tried: true, state: "the server cannot take it now, it is sent again by itself" });
    return null;
  }
  if (answer.status === 401) {
    change(name, { ...entry, tried: true, state: "your session has ended: sign in, then it is sent" });
    return null;
  }
  const faults = [...page.querySelectorAll(".refused li")].map((fault) => fault.textContent);
  const why = faults.length ? faults.join("; ") : page.querySelector("main p")?.textContent || `answer ${answer.status}`;
  change(name, { ...entry, refused: true, state: `refused: ${why}` });
  return { main: page.querySelector("main"), refused: Boolean(faults.length) };
};

let busy = false;
const sendAll = async () => {
  if (busy) return;
  busy = true;
  try {
    let went = null;
    for (const [name, entry] of Object.entries(read())) {
      if (entry.refused) continue;
      const came = await send(name, entry);
      if (came === null) break;
      if (typeof came === "string" && entry.page === here()) went = came;
    }
    // What is being typed stays; else the page shows what stands now.
    if (went && !typing()) location.assign(went);
  } finally {
    busy = false;
  }
};

const typing = () => [...document.querySelectorAll("form[data-keep]")].some((form) => form.dataset.touched);

const isOf = (entry, form) => entry.of === form.dataset.keep && entry.form === form.id;

// Each sending is kept by the key of its form. What is of no version, such as a report, may be sent with other words while the first
// still waits: that is another thing, with a key of its own.
const keyOf = (form, fields) => {
  const once = form.elements.once.value;
  const words = (of) => JSON.stringify(of.filter(([name]) => name !== "once"));
  const waits = Object.values(read()).filter((entry) => isOf(entry, form) && !entry.refused);
  const same = waits.find((entry) => words(entry.fields) === words(fields));
  const key = same ? onceOf(same.fields) : waits.length && !form.elements.version ? `${once}.${Date.now()}` : once;
  for (const field of fields) if (field[0] === "once") field[1] = key;
  return key;
};
const onceOf = (fields) => fields.find(([name]) => name === "once")[1];

const submit = async (event) => {
  const form = event.target.closest("form[data-keep]");
  if (!form) return;
  event.preventDefault();
  for (const field of form.querySelectorAll("[data-now]")) field.value = now();
  const fields = [...new FormData(form)].filter(([name]) => name !== "csrf");
  const entry = {
    action: form.getAttribute("action"),
    page: here(),
    of: form.dataset.keep,
    form: form.id,
    says: form.dataset.says,
    fields,
    state: "being sent",
  };
  for (const [name, old] of Object.entries(read())) if (old.refused && isOf(old, form)) change(name, null);
  const name = keyOf(form, fields);
  change(name, entry);
  delete form.dataset.touched;
  if (busy) return;
  busy = true;
  const came = await send(name, entry);
  busy = false;
  if (typeof came === "string") {
    const there = new URL(came, location);
    if (there.pathname + there.search === here()) location.reload();
    else location.assign(came);
  } else if (came?.refused) {
    document.querySelector("main").replaceWith(document.adoptNode(came.main));
    show();
    fill();
    document.querySelector(".refused")?.scrollIntoView();
  }
};

// A refused form is filled with what was typed, once its page is open again.
const fill = () => {
  for (const entry of Object.values(read())) {
    const form = entry.refused && document.getElementById(entry.form);
    if (!form || !isOf(entry, form)) continue;
    form.closest("details")?.setAttribute("open", "");
    for (const [field, value] of entry.fields) {
      for (const input of form.querySelectorAll(`[name="${CSS.escape(field)}"]`)) {
        if (input.type === "hidden") continue;
        if (input.type === "radio" || input.type === "checkbox") input.checked = input.checked || input.value === value;
        else input.value = value;
      }
    }
  }
};

document.addEventListener("submit", submit);
document.addEventListener("input", (event) => {
  const form = event.target.closest("form[data-keep]");
  if (form) form.dataset.touched = "yes";
});
window.addEventListener("online", sendAll);
// Another script has put newer content into the page.
document.addEventListener("shown-anew", () => {
  show();
  fill();
});
setInterval(() => {
  if (Object.values(read()).some((entry) => !entry.refused)) sendAll();
}, AGAIN_MS);
show();
fill();
sendAll();
