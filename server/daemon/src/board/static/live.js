// News without a reload. A stream tells that something has changed; the page is then asked for anew, and what it shows is put in
// place of the old, unless somebody is typing: then a line says what is new. It says too when it has lost the stream.
"use strict";
// What was refused a moment ago stands at no address that could be asked for anew.
if (!document.querySelector("main .refused")) {
  const LOST_MS = 30000; // the stream says at least every ten seconds that it lives
  const AGAIN_MS = 5000; // between attempts to open it
  const OLD_MS = 180000; // what stands here is asked for anew after so long, come what may
  const FORECASTS_MS = 60000; // forecasts are made anew all day: no oftener than this
  const PAUSE_MS = 2000; // between two looks
  const NAMED = 3; // changes told by name

  const JUST_MS = 60000; // how long a line says what has come in

  // Looked up each time: another script may put a whole page's content here.
  const news = () => document.getElementById("news");
  const main = () => document.querySelector("main");
  let { after, forecasts } = news().dataset;
  let stream = null;
  let opened = -AGAIN_MS;
  let heard = performance.now();
  let looked = performance.now();
  let tried = 0;
  let restUntil = 0;
  let looking = false;
  let wanted = false; // something has happened since the last look
  let changes = []; // what, in words
  let newer = null; // a newer page that waits for the typing to end
  let ended = false; // the session is over

  // What a page shows, without what differs each time it is made.
  const essence = (from) => {
    const copy = from.cloneNode(true);
    for (const own of copy.querySelectorAll("#news, #unsent, [data-made], input[name=once], input[name=csrf]")) own.remove();
    for (const one of copy.querySelectorAll("[open]")) one.removeAttribute("open");
    return copy.innerHTML.replace(/ data-touched="[^"]*"/g, "");
  };
  let shown = essence(main());

  const typing = () => {
    const at = document.activeElement;
    const inField = main().contains(at) && at.matches("input, select, textarea");
    const touched = main().querySelector("form[data-touched], .refused");
    const selecting = getSelection().type === "Range" && main().contains(getSelection().anchorNode);
    return Boolean(inField || touched || selecting);
  };

  const said = () => {
    const more = changes.length - NAMED;
    return changes.slice(0, NAMED).join("; ") + (more > 0 ? `; and ${more} more` : "");
  };

  let line = "";
  let saidAt = 0;
  const say = (kind, text, button, act) => {
    if (line === text && news().textContent) return;
    line = text;
    saidAt = performance.now();
    news().className = kind;
    news().replaceChildren(text);
    if (!button) return;
    const press = document.createElement("button");
    press.type = "button";
    press.textContent = button;
    press.onclick = act;
    news().append(" ", press);
  };

  const asOf = () => document.querySelector("footer time")?.textContent || "an earlier time";
  const stale = () => {
    const why = ended ? "Your session has ended." : "The connection to the server is lost.";
    const button = ended ? "Sign in" : "Load again";
    say("stale", `${why} What stands here is as of ${asOf()} and may have changed.`, button, () => location.reload());
  };
  const offer = () => {
    const what = changes.length ? said() : "forecasts or days";
    say("offer", `New since this page was made: ${what}.`, "Show (drops what is being typed)", () => put(newer));
  };

  const place = (element) => {
    const near = element.closest("[id]")?.id || "";
    return [near, element.tagName, element.getAttribute("href") || element.getAttribute("name") || element.textContent.trim()].join(" ");
  };
  const summaryOf = (details) => details.querySelector("summary");

  // Puts newer content into the page: what was open, where one was and how far one had scrolled stay.
  const put = (page) => {
    const open = new Set([...main().querySelectorAll("details[open]")].map((one) => place(summaryOf(one))));
    const focus = document.activeElement;
    const at = main().contains(focus) && focus !== main() ? place(focus) : null;
    const top = scrollY;
    const next = document.adoptNode(page.querySelector("main"));
    shown = essence(next);
    next.querySelector("#news")?.remove();
    for (const node of [...main().childNodes]) if (node !== news()) node.remove();
    news().after(...next.childNodes);
    for (const one of main().querySelectorAll("details")) if (open.has(place(summaryOf(one)))) one.open = true;
    const found = at && [...main().querySelectorAll("a, button, summary, [tabindex]")].find((one) => place(one) === at);
    if (found) found.focus({ preventScroll: true });
    scrollTo({ top, behavior: "instant" });
    newer = null;
    current(page);
    say("just", changes.length ? `Just in: ${said()}.` : "");
    changes = [];
    document.dispatchEvent(new Event("shown-anew"));
  };

  // What stands here is what the server would show now.
  const current = (page) => {
    const foot = page.querySelector("footer p");
    if (foot) document.querySelector("footer p").replaceWith(document.adoptNode(foot));
    for (const made of main().querySelectorAll("[data-made]")) {
      const now = page.querySelector("[data-made]");
      if (now) made.replaceChildren(...now.cloneNode(true).childNodes);
    }
  };

  const take = (page) => {
    if (essence(page.querySelector("main")) === shown) {
      newer = null;
      changes = [];
      current(page);
      if (news().className !== "just") say("", "");
    } else if (typing()) {
      newer = page;
      offer();
    } else {
      put(page);
    }
  };

  const look = async () => {
    if (looking || performance.now() < restUntil) return;
    looking = true;
    wanted = false;
    const began = performance.now();
    tried = began;
    try {
      const answer = await fetch(location.pathname + location.search, { cache: "no-store" });
      ended = new URL(answer.url).pathname === "/board/sign-in";
      if (answer.ok && !ended) {
        take(new DOMParser().parseFromString(await answer.text(), "text/html"));
        looked = performance.now();
      }
    } catch {
      // There is no connection: the stream shows it, and a look follows once it is back.
    } finally {
      looking = false;
      const took = performance.now() - began;
      restUntil = performance.now() + Math.max(PAUSE_MS, 5 * took);
    }
  };

  const close = () => {
    stream?.close();
    stream = null;
  };

  const open = () => {
    close();
    opened = performance.now();
    const { live } = news().dataset;
    stream = new EventSource(`${live}${live.endsWith("?") ? "" : "&"}after=${after}`);
    stream.addEventListener("alive", (event) => {
      heard = performance.now();
      if (event.lastEventId) after = event.lastEventId;
      if (event.data !== forecasts && performance.now() - looked > FORECASTS_MS) {
        forecasts = event.data;
        wanted = true;
      }
    });
    stream.addEventListener("news", (event) => {
      heard = performance.now();
      after = event.lastEventId;
      const { says } = JSON.parse(event.data);
      if (!changes.includes(says)) changes.push(says);
      wanted = true;
    });
    stream.onerror = close;
  };

  const tick = () => {
    if (document.hidden) return;
    const now = performance.now();
    const lost = now - heard > LOST_MS;
    if ((!stream || lost) && now - opened > AGAIN_MS) open();
    // Without a stream, such as where too many are open, the page asks by itself.
    if (wanted || (now - looked > (lost ? LOST_MS : OLD_MS) && now - tried > AGAIN_MS)) look();
    if (newer && !typing()) put(newer);
    if (ended || now - looked > (lost ? LOST_MS + AGAIN_MS : OLD_MS + LOST_MS)) stale();
    else if (news().className === "stale") wanted = true;
    else if (news().className === "just" && now - saidAt > JUST_MS) say("", "");
  };

  // A page in the background holds no stream; in front again it looks at once.
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) return close();
    heard = performance.now();
    wanted = true;
    tick();
  });
  addEventListener("pageshow", (event) => {
    if (event.persisted) wanted = true;
  });
  addEventListener("pagehide", close);
  document.addEventListener("input", (event) => {
    const form = event.target.closest("form");
    if (form) form.dataset.touched = "yes";
  });
  setInterval(tick, 1000);
  tick();
}
