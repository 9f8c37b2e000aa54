// Draws the description at /openapi.json as a readable page, and sends requests made on it.

const METHODS = ['get', 'post', 'put', 'patch', 'delete', 'head', 'options'];
const SHOWN_FIRST = /^(etag|link|location|retry-after)$/;
const SHOWN_AT_MOST = 200_000; // characters of one answer drawn on the page

let doc = {};
let lastTag = '';

// ---- Small helpers
const byId = (id) => document.getElementById(id);
const isObject = (value) => typeof value === 'object' && value !== null && !Array.isArray(value);
const isJson = (type) => /[/+]json\b/i.test(type);
const written = (value) => (typeof value === 'string' ? value : JSON.stringify(value));

/** Makes an element; keys that start with "on" are listeners, empty attributes are left out. */
function el(name, attributes = {}, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith('on')) node.addEventListener(key.slice(2), value);
    else if (value === true) node.setAttribute(key, '');
    else if (value !== false && value != null) node.setAttribute(key, value);
  }
  node.append(...children.flat().filter((child) => child != null && child !== ''));
  return node;
}

/** A block of code that scrolls inside itself and can be reached with the keyboard. */
const codeBlock = (label, text = '') => el('pre', { tabindex: 0, role: 'group', 'aria-label': label }, text);

/** A details element whose inside is built the first time it is opened. */
function fold(title, build, attributes = {}) {
  const inside = el('div', { class: 'inside' });
  const fill = () => inside.childNodes.length || inside.append(...[build()].flat().filter(Boolean));
  if (attributes.open) fill();
  return el('details', { ...attributes, ontoggle: fill }, el('summary', {}, title), inside);
}

/** The few marks used in descriptions: `code`, **strong** and [links](address). */
function inline(text) {
  return text.split(/(`[^`]+`|\*\*[^*]+\*\*|\[[^\]]+\]\((?:https?:\/\/|\/|#)[^)\s]*\))/).map((part) => {
    const link = /^\[(.+)\]\((.+)\)$/.exec(part);
    if (link) return el('a', { href: link[2] }, link[1]);
    if (/^`.+`$/.test(part)) return el('code', {}, part.slice(1, -1));
    if (/^\*\*.+\*\*$/.test(part)) return el('strong', {}, part.slice(2, -2));
    return part;
  });
}

function paragraph(block) {
  const items = `\n${block}`.split(/\n\s*[-*]\s+/).slice(1);
  if (/^\s*[-*]\s/.test(block)) return el('ul', {}, items.map((item) => el('li', {}, inline(item))));
  if (/^#+\s/.test(block)) return el('p', {}, el('strong', {}, block.replace(/^#+\s+/, '')));
  return el('p', {}, inline(block));
}

const prose = (text) => (text ? text.trim().split(/\n\s*\n/).map(paragraph) : []);

// ---- References and schemas
function lookUp(ref) {
  if (!ref.startsWith('#/')) return {};
  const parts = decodeURIComponent(ref.slice(2)).split('/').map((part) => part.replace(/~1/g, '/').replace(/~0/g, '~'));
  return parts.reduce((node, part) => node?.[part], doc) ?? {};
}

/** Follows references and folds allOf together. `trail` holds the references already open, so a loop ends. */
function expand(schema, trail = []) {
  let node = isObject(schema) ? schema : {};
  let name = node.title ?? '';
  while (node.$ref) {
    const { $ref, ...beside } = node;
    name ||= $ref.split('/').pop();
    if (trail.includes($ref)) return { node: beside, trail, name, again: true };
    trail = [...trail, $ref];
    node = { ...lookUp($ref), ...beside };
  }
  if (!node.allOf) return { node, trail, name, again: false };
  const parts = node.allOf.map((part) => expand(part, trail));
  trail = [...new Set([trail, ...parts.map((part) => part.trail)].flat())];
  const all = [...parts.map((part) => part.node), node];
  const properties = Object.assign({}, ...all.map((part) => part.properties));
  const required = all.flatMap((part) => part.required ?? []);
  name ||= parts.find((part) => part.name)?.name ?? '';
  return { node: Object.assign({}, ...all, { properties, required }), trail, name, again: parts.some((part) => part.again) };
}

const resolve = (node) => expand(node).node;
const choices = (node) => node.oneOf ?? node.anyOf ?? [];
const isNull = (schema) => schema.type === 'null';
const typesOf = (node) => [node.type ?? (node.properties ? 'object' : node.items ? 'array' : [])].flat();

function typeWords(schema, trail = []) {
  const { node, trail: open, name, again } = expand(schema, trail);
  if (again) return `${name} (described above)`;
  if ('const' in node) return `always ${JSON.stringify(node.const)}`;
  if (choices(node).length) {
    const words = choices(node).map((choice) => ('const' in resolve(choice) ? 'one of the values' : typeWords(choice, open)));
    return [...new Set(words)].join(' or ');
  }
  const words = typesOf(node).map((type) => {
    if (type === 'array') return `list (each ${typeWords(node.items ?? {}, open)})`;
    return type !== 'null' && node.format ? `${type} (${node.format})` : type;
  });
  return words.join(' or ') || 'any';
}

const BOUNDS = {
  minimum: 'At least', exclusiveMinimum: 'More than', maximum: 'At most', exclusiveMaximum: 'Less than',
  multipleOf: 'A multiple of', minLength: 'Length at least', maxLength: 'Length at most',
  minItems: 'Entries at least', maxItems: 'Entries at most', pattern: 'Pattern', default: 'If left out:',
};
const FLAGS = { readOnly: 'Only in answers', writeOnly: 'Only in requests', deprecated: 'Going away' };

function limits(node) {
  const bounds = Object.keys(BOUNDS).filter((key) => node[key] != null);
  const flags = Object.keys(FLAGS).filter((key) => node[key] === true);
  const said = bounds.flatMap((key) => [`${BOUNDS[key]} `, el('code', {}, written(node[key])), '. ']);
  said.push(...flags.map((key) => `${FLAGS[key]}. `));
  return said.length ? [el('p', { class: 'note' }, said)] : [];
}

/** The fixed values a schema allows, each with its description where it has one. */
function valuesOf(schema, trail = []) {
  const { node, trail: open, again } = expand(schema, trail);
  if (again) return [];
  if ('const' in node) return [[node.const, node.description ?? node.title]];
  if (node.enum) return node.enum.map((value) => [value]);
  return [...choices(node), node.items ?? []].flat().flatMap((part) => valuesOf(part, open));
}

function allowedValues(schema, trail) {
  const item = ([value, says]) => el('li', {}, el('code', {}, written(value)), says ? [': ', ...inline(says)] : []);
  const items = valuesOf(schema, trail).map(item);
  return items.length > 1 ? [el('ul', { class: 'values', 'aria-label': 'Allowed values' }, items)] : [];
}

/** Every field of a schema as flat rows with dotted names. */
function fieldRows(schema, path = '', trail = []) {
  const { node, trail: open, again } = expand(schema, trail);
  if (again) return [];
  const rows = [];
  const add = (name, field, required) => {
    rows.push({ name, schema: field, required, trail: open }, ...fieldRows(field, name, open));
  };
  const under = (name) => (path ? `${path}.${name}` : name);
  for (const [name, field] of Object.entries(node.properties ?? {})) add(under(name), field, node.required?.includes(name));
  if (isObject(node.additionalProperties)) add(under('(any name)'), node.additionalProperties, false);
  if (node.items) rows.push(...fieldRows(node.items, path && `${path}[]`, open));
  const cases = choices(node).filter((choice) => !isNull(choice));
  for (const [index, choice] of cases.entries()) {
    const inner = fieldRows(choice, path, open);
    const title = [path, `Form ${index + 1}`, expand(choice, open).name].filter(Boolean).join(': ');
    rows.push(...(inner.length && cases.length > 1 ? [{ title }] : []), ...inner);
  }
  return rows;
}

function fieldRow({ title, name, schema, required, trail }) {
  if (title) return el('tr', { role: 'row', class: 'case' }, el('th', { role: 'rowheader', colspan: 4 }, title));
  const { node } = expand(schema, trail);
  const cell = (label, ...inside) => el('td', { role: 'cell', 'data-label': label }, ...inside);
  return el('tr', { role: 'row' },
    el('th', { role: 'rowheader', scope: 'row' }, el('code', {}, name)),
    cell('Type', typeWords(schema, trail)),
    cell('Required', required ? 'yes' : 'no'),
    cell(null, prose(node.description), allowedValues(schema, trail), limits(node)));
}

function fieldTable(caption, rows) {
  const heads = ['Name', 'Type', 'Required', 'Meaning'].map((head) => el('th', { role: 'columnheader', scope: 'col' }, head));
  return el('table', { role: 'table' }, el('caption', {}, caption),
    el('thead', { role: 'rowgroup' }, el('tr', { role: 'row' }, heads)),
    el('tbody', { role: 'rowgroup' }, rows.map(fieldRow)));
}

function schemaView(schema) {
  const { node, name } = expand(schema);
  const rows = fieldRows(schema);
  const caption = [typeWords(schema), name && ` (${name})`].filter(Boolean).join('');
  if (rows.length) return [...prose(node.description), fieldTable(caption, rows)];
  return [el('p', {}, `Type: ${caption}`), ...prose(node.description), ...allowedValues(schema), ...limits(node)];
}

// ---- Examples
const SAMPLE_TEXT = {
  date: '2026-01-31', 'date-time': '2026-01-31T08:00:00Z', time: '08:00:00Z', email: 'name@example.org',
  uri: 'https://example.org/', uuid: '00000000-0000-4000-8000-000000000000',
};

/** A value that fits the schema, without fields marked `hide`; undefined where the schema loops back on itself. */
function sample(schema, hide, trail = []) {
  const { node, trail: open, again } = expand(schema, trail);
  const given = [node.example, node.examples?.[0], node.const, node.default, node.enum?.[0]].find((value) => value !== undefined);
  if (given !== undefined) return given;
  if (again) return undefined;
  const choice = choices(node).find((one) => !isNull(one));
  const base = choice ? sample(choice, hide, open) : undefined;
  const type = typesOf(node).find((one) => one !== 'null');
  if (type === 'object') {
    const fields = Object.entries(node.properties ?? {}).filter(([, field]) => !resolve(field)[hide]);
    return Object.fromEntries([...Object.entries(base ?? {}), ...fields.map(([name, field]) => [name, sample(field, hide, open)])]);
  }
  if (choice) return base;
  if (type === 'array') return [sample(node.items ?? {}, hide, open)].filter((value) => value !== undefined);
  if (type === 'integer' || type === 'number') return node.minimum ?? (node.exclusiveMinimum ?? -1) + 1;
  if (type === 'boolean') return false;
  return type === 'string' ? (SAMPLE_TEXT[node.format] ?? 'text') : null;
}

const givenExample = (media) => media.example ?? resolve(Object.values(media.examples ?? {})[0]).value;

/** The example of one media type as text; row formats borrow the JSON example when they have none. */
function exampleText(type, content, hide) {
  const exampleOf = (media) => givenExample(media) ?? sample(media.schema, hide);
  const given = givenExample(content[type]);
  if (typeof given === 'string') return given;
  const value = exampleOf(content[type]);
  if (isJson(type)) return JSON.stringify(value, null, 2) ?? '';
  const json = Object.keys(content).find(isJson);
  const borrowed = json && exampleOf(content[json]);
  const rows = [typeof value === 'object' && value !== null ? value : (borrowed ?? [])].flat();
  if (type.includes('ndjson')) return rows.map((row) => JSON.stringify(row)).join('\n') + '\n';
  if (type.includes('csv') && isObject(rows[0])) return csvText(rows);
  return typeof value === 'string' ? value : '';
}

function csvText(rows) {
  const names = Object.keys(rows[0]);
  const cell = (value) => {
    const text = value == null ? '' : written(value);
    return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
  };
  const lines = [names, ...rows.map((row) => names.map((name) => row[name]))];
  return lines.map((line) => `${line.map(cell).join(',')}\n`).join('');
}

// ---- Reading the description
function collect(paths, sentByServer) {
  return Object.entries(paths ?? {}).flatMap(([path, raw]) => {
    const item = resolve(raw);
    return METHODS.filter((method) => item[method]).map((method) => operation(path, method, item, sentByServer));
  });
}

function operation(path, method, item, sentByServer) {
  const source = item[method];
  const parameters = new Map();
  for (const raw of [...(item.parameters ?? []), ...(source.parameters ?? [])]) {
    const parameter = resolve(raw);
    parameters.set(`${parameter.in} ${parameter.name}`, parameter);
  }
  const title = `${method.toUpperCase()} ${path}`;
  const id = `op-${source.operationId ?? title}`.replace(/[^\w-]+/g, '-');
  const tag = sentByServer ? 'Messages this server sends' : (source.tags?.[0] ?? 'Other');
  const security = source.security ?? doc.security ?? [];
  const needsKey = security.length > 0 && !security.some((way) => Object.keys(way).length === 0);
  const body = source.requestBody && resolve(source.requestBody);
  const responses = Object.entries(source.responses ?? {}).map(([status, raw]) => [status, resolve(raw)]);
  const words = [title, tag, id, source.summary, source.description, ...parameters.keys()];
  return { ...source, path, method, title, id, tag, needsKey, sentByServer, body, responses,
    parameters: [...parameters.values()], words: words.join(' ').toLowerCase() };
}

function groups(operations) {
  const order = [...(doc.tags ?? []).map((tag) => tag.name), ...operations.map((op) => op.tag)];
  const about = (name) => doc.tags?.find((tag) => tag.name === name)?.description;
  const members = (name) => operations.filter((op) => op.tag === name);
  return [...new Set(order)].map((name) => ({ name, about: about(name), members: members(name) })).filter((group) => group.members.length);
}

// ---- Drawing the operations
function drawGroup(group, index) {
  group.id = `part-${index + 1}`;
  group.entry = el('li', {}, el('span', {}, `${index + 1}`), el('a', { href: `#${group.id}` }, group.name));
  const articles = group.members.map((op, place) => drawOperation(op, `${index + 1}.${place + 1}`));
  const heading = el('h2', {}, `${index + 1}  ${group.name}`);
  group.node = el('section', { class: 'group', id: group.id }, heading, prose(group.about), articles);
}

function drawOperation(op, number) {
  const named = (word) => el('span', {}, word, el('span', { class: 'unseen' }, `: ${op.title}`));
  op.node = el('article', { class: 'operation', id: op.id },
    el('a', { class: 'number', href: `#${op.id}`, 'aria-label': `${number}, link to ${op.title}` }, number),
    el('div', {},
      el('h3', {}, el('span', { class: 'method' }, op.method.toUpperCase()), ' ', el('code', {}, op.path)),
      op.summary ? el('p', {}, inline(op.summary)) : null,
      op.deprecated ? el('p', {}, el('strong', {}, 'Going away: do not build on it.')) : null,
      fold(named('Details'), () => operationDetails(op), { class: 'more' }),
      op.sentByServer ? null : fold(named('Try it'), () => tryForm(op), { class: 'try' })));
  return op.node;
}

function operationDetails(op) {
  const rows = op.parameters.map((one) => ({ name: one.name, required: one.required, schema: parameterSchema(one) }));
  return [
    ...prose(op.description),
    op.sentByServer ? null : el('p', { class: 'note' }, op.needsKey ? 'Needs a key.' : 'Open without a key.'),
    ...(rows.length ? [el('h4', {}, 'Parameters'), fieldTable('Sent in the path, the query or a header', rows)] : []),
    ...(op.body ? bodyView(op.body) : []),
    el('h4', {}, 'Answers'),
    ...op.responses.map(([status, response]) => responseView(status, response)),
  ];
}

function bodyView(body) {
  const heading = el('h4', {}, body.required ? 'Body (required)' : 'Body (may be left out)');
  return [heading, ...prose(body.description), ...contentView(body.content, 'readOnly')];
}

function parameterSchema(parameter) {
  const schema = resolve(parameter.schema ?? Object.values(parameter.content ?? {})[0]?.schema);
  const about = [`In the ${parameter.in}.`, parameter.description ?? schema.description].filter(Boolean).join(' ');
  return { ...schema, description: about, deprecated: parameter.deprecated ?? schema.deprecated };
}

function contentView(content = {}, hide) {
  return Object.keys(content).map((type, index) => fold(el('code', {}, type), () => {
    const example = exampleText(type, content, hide);
    const shown = example ? [el('h5', {}, 'Example'), codeBlock(`Example, ${type}`, example)] : [];
    return [...schemaView(content[type].schema), ...shown];
  }, { open: index === 0 }));
}

function responseView(status, response) {
  const headers = Object.entries(response.headers ?? {}).map(([name, raw]) => {
    const header = resolve(raw);
    return { name, required: header.required, schema: { ...resolve(header.schema), description: header.description } };
  });
  const title = el('span', {}, el('strong', {}, status), ' ', ...inline((response.description ?? '').split('\n')[0]));
  return fold(title, () => {
    const inside = [...(headers.length ? [fieldTable('Headers', headers)] : []), ...contentView(response.content, 'writeOnly')];
    return inside.length ? inside : [el('p', { class: 'note' }, 'No body.')];
  }, { open: status.startsWith('2') });
}

// ---- The form for one operation
function tryForm(op) {
  const setElsewhere = /^(cookie .*|header (authorization|accept|content-type))$/i;
  const usable = op.parameters.filter((one) => !setElsewhere.test(`${one.in} ${one.name}`));
  const fields = usable.map((one, index) => parameterField(one, `${op.id}-field-${index}`));
  const parts = { op, fields, body: op.body && bodyEditor(op), accept: acceptSelect(op), running: null,
    outcome: el('p', { class: 'outcome', role: 'status' }), answer: el('div'), curl: codeBlock('The same request for curl') };
  const submit = (event) => { event.preventDefault(); send(parts); };
  const form = el('form', { 'aria-label': `Try ${op.title}`, onsubmit: submit, oninput: () => showCurl(parts) },
    el('p', { class: 'note' }, 'This sends a real request to this server; what it changes stays changed.'),
    fields.map((field) => field.node), parts.body?.node, parts.accept?.node,
    el('div', { class: 'actions' },
      el('button', { type: 'submit', class: 'send' }, 'Send'),
      el('button', { type: 'button', onclick: () => parts.running?.abort() }, 'Stop'),
      el('button', { type: 'button', onclick: () => copyCurl(parts) }, 'Copy the curl line')),
    parts.curl, parts.outcome, parts.answer);
  showCurl(parts);
  return form;
}

function parameterField(parameter, id) {
  const schema = resolve(parameter.schema);
  const list = typesOf(schema).includes('array');
  const attributes = { id, required: parameter.required, 'aria-describedby': `${id}-note`, autocomplete: 'off', spellcheck: 'false' };
  const input = valueInput(list ? {} : schema, attributes);
  const example = parameter.example ?? schema.example ?? schema.examples?.[0];
  const hints = [`${parameter.in}, ${typeWords(schema)}`, list && 'several with commas between',
    example != null && `such as ${written(example)}`];
  const node = el('div', {}, el('label', { for: id }, parameter.name, parameter.required ? ' (required)' : ''),
    el('div', { class: 'pair' }, input, headerHelper(parameter.name, input)),
    el('p', { class: 'note', id: `${id}-note` }, hints.filter(Boolean).join('; ')));
  return { parameter, input, list, node };
}

function valueInput(schema, attributes) {
  const values = typesOf(schema).includes('boolean') ? [true, false] : valuesOf(schema).map(([value]) => value);
  if (!values.length) return el('input', { type: 'text', ...attributes });
  const options = values.filter((value) => value !== null).map((value) => el('option', {}, written(value)));
  return el('select', attributes, el('option', { value: '' }, 'not set'), options);
}

/** If-Match can take the last ETag seen; Idempotency-Key can take a fresh key. */
function headerHelper(name, input) {
  const filler = (words, value) => el('button', { type: 'button', onclick: () => {
    input.value = value() || input.value;
    input.dispatchEvent(new Event('input', { bubbles: true }));
  } }, words);
  if (/^if-match$/i.test(name)) return filler('Use the last ETag', () => lastTag);
  return /^idempotency-key$/i.test(name) ? filler('New key', () => `"${newUuid()}"`) : null;
}

/** randomUUID is only there on https and localhost; elsewhere the same is made by hand. */
function newUuid() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const draw = () => crypto.getRandomValues(new Uint8Array(1))[0] & 15;
  return 'xxxxxxxx-xxxx-4xxx-yxxx-xxxxxxxxxxxx'.replace(/[xy]/g, (mark) => (mark === 'x' ? draw() : (draw() & 3) | 8).toString(16));
}

/** The editor keeps one draft for each content type, so switching loses nothing. */
function bodyEditor(op) {
  const content = op.body.content ?? {};
  const types = Object.keys(content);
  const drafts = new Map(types.map((type) => [type, exampleText(type, content, 'readOnly')]));
  const id = `${op.id}-body`;
  const select = el('select', { id: `${id}-type` }, types.map((type) => el('option', {}, type)));
  const area = el('textarea', { id, rows: 10, spellcheck: 'false', autocomplete: 'off', required: op.body.required });
  area.value = drafts.get(select.value) ?? '';
  area.addEventListener('input', () => drafts.set(select.value, area.value));
  select.addEventListener('input', () => { area.value = drafts.get(select.value); });
  const label = el('label', { for: id }, `Body${op.body.required ? ' (required)' : ''}`);
  return { area, select, node: el('div', {}, el('label', { for: select.id }, 'Content type'), select, label, area) };
}

function acceptSelect(op) {
  const good = op.responses.filter(([status]) => status.startsWith('2'));
  const types = new Set(good.flatMap(([, response]) => Object.keys(response.content ?? {})));
  if (types.size < 2) return null;
  const select = el('select', { id: `${op.id}-accept` }, [...types].map((type) => el('option', {}, type)));
  return { select, node: el('div', {}, el('label', { for: select.id }, 'Answer as'), select) };
}

// ---- Sending
function basePath() {
  const base = new URL(doc.servers?.[0]?.url ?? '/', location.origin);
  return base.origin === location.origin ? base.pathname.replace(/\/$/, '') : '';
}

/** What the form now says, as a request. Path values still empty stay as {name}. */
function request({ op, fields, body, accept }) {
  let path = op.path;
  const query = new URLSearchParams();
  const headers = {};
  for (const { parameter, input, list } of fields) {
    const value = input.value.trim();
    if (!value) continue;
    const values = list && parameter.explode !== false ? value.split(',').map((one) => one.trim()) : [value];
    if (parameter.in === 'path') path = path.replaceAll(`{${parameter.name}}`, encodeURIComponent(value));
    else if (parameter.in === 'query') values.forEach((one) => query.append(parameter.name, one));
    else headers[parameter.name] = value;
  }
  if (accept) headers.Accept = accept.select.value;
  const text = body?.area.value.trim() ? body.area.value : undefined;
  if (text !== undefined) headers['Content-Type'] = body.select.value;
  const url = `${location.origin}${basePath()}${path}?${query}`.replace(/\?$/, '');
  return { method: op.method.toUpperCase(), url, headers, text };
}

function showCurl(parts) {
  const quoted = (text) => `'${text.replaceAll("'", "'\\''")}'`;
  const { method, url, headers, text } = request(parts);
  const lines = [`curl --include ${method === 'HEAD' ? '--head' : `--request ${method}`} ${quoted(url)}`];
  if (parts.op.needsKey) lines.push('--header "Authorization: Bearer $VENTMILE_KEY"');
  for (const [name, value] of Object.entries(headers)) lines.push(`--header ${quoted(`${name}: ${value}`)}`);
  if (text !== undefined) lines.push(`--data-raw ${quoted(text)}`);
  parts.curl.textContent = lines.join(' \\\n  ');
}

async function copyCurl({ curl, outcome }) {
  try {
    await navigator.clipboard.writeText(curl.textContent);
    outcome.textContent = 'The curl line is copied.';
  } catch {
    getSelection().selectAllChildren(curl);
    outcome.textContent = 'The curl line is selected: copy it with your usual keys.';
  }
}

async function send(parts) {
  if (parts.running) return;
  parts.running = new AbortController();
  parts.outcome.textContent = 'Sent, waiting for the answer.';
  parts.answer.replaceChildren();
  try {
    await exchange(parts, request(parts));
  } catch (error) {
    parts.outcome.textContent = error.name === 'AbortError' ? 'Stopped.' : `No answer: ${error.message}.`;
  }
  parts.running = null;
}

async function exchange(parts, { method, url, headers, text }) {
  const key = byId('key').value.trim();
  const dotted = parts.fields.some(({ parameter, input }) => parameter.in === 'path' && /^\.{1,2}$/.test(input.value.trim()));
  if (dotted) throw new Error('a path value cannot be only dots');
  if (parts.op.needsKey && key) headers.Authorization = `Bearer ${key}`;
  const started = performance.now();
  const response = await fetch(url, { method, headers, body: text, cache: 'no-store', signal: parts.running.signal });
  const elapsed = Math.round(performance.now() - started);
  lastTag = response.headers.get('etag') ?? lastTag;
  parts.outcome.textContent = `${response.status} ${response.statusText} after ${elapsed} ms`;
  const body = codeBlock('Body of the answer');
  const sorted = [...response.headers].sort(([a], [b]) => SHOWN_FIRST.test(b) - SHOWN_FIRST.test(a));
  const headerBlock = codeBlock('Headers of the answer', sorted.map((pair) => pair.join(': ')).join('\n'));
  parts.answer.append(el('h4', {}, 'Headers'), headerBlock, el('h4', {}, 'Body'), body);
  await showBody(response, body);
}

/** Draws the body as it arrives, so that an event stream can be watched, and sets JSON out in lines at the end. */
async function showBody(response, target) {
  let text = '';
  const reader = response.body?.pipeThrough(new TextDecoderStream()).getReader();
  for (let step = await reader?.read(); step && !step.done; step = await reader.read()) {
    text += step.value;
    if (text.length <= SHOWN_AT_MOST) target.textContent = text;
  }
  const whole = setOut(text, response.headers.get('content-type') ?? '');
  const cut = whole.length > SHOWN_AT_MOST ? `\n… ${whole.length - SHOWN_AT_MOST} more characters not drawn` : '';
  target.textContent = whole.slice(0, SHOWN_AT_MOST) + cut || '(empty)';
}

function setOut(text, type) {
  try {
    return isJson(type) ? JSON.stringify(JSON.parse(text), null, 2) : text;
  } catch {
    return text;
  }
}

// ---- The page
function filterPage(parts, total) {
  const words = byId('filter').value.toLowerCase().split(/\s+/).filter(Boolean);
  let shown = 0;
  for (const group of parts) {
    for (const op of group.members) op.node.hidden = !words.every((word) => op.words.includes(word));
    const here = group.members.filter((op) => !op.node.hidden).length;
    group.node.hidden = group.entry.hidden = here === 0;
    shown += here;
  }
  byId('filter-count').textContent = words.length ? `${shown} of ${total} operations match.` : `${total} operations.`;
}

function drawHeader() {
  const info = doc.info ?? {};
  document.title = info.title ?? document.title;
  byId('title').textContent = info.title ?? 'The interface';
  const plain = el('a', { href: '/openapi.json' }, '/openapi.json');
  const facts = { Version: info.version, Address: location.origin + basePath(), OpenAPI: doc.openapi, 'As plain JSON': plain };
  byId('facts').append(...Object.entries(facts).map(([name, value]) => el('div', {}, el('dt', {}, name), el('dd', {}, value))));
  byId('description').append(...prose(info.description));
}

function openLinked() {
  const target = location.hash && byId(location.hash.slice(1));
  if (!target) return;
  target.querySelector(':scope > div > .more')?.setAttribute('open', '');
  target.scrollIntoView();
}

async function start() {
  byId('loading').textContent = 'Reading the description.';
  const response = await fetch('/openapi.json', { headers: { Accept: 'application/json' } });
  if (!response.ok) throw new Error(`the server answered ${response.status}`);
  doc = await response.json();
  const operations = [...collect(doc.paths, false), ...collect(doc.webhooks, true)];
  const parts = groups(operations);
  parts.forEach(drawGroup);
  drawHeader();
  byId('contents-list').append(...parts.map((group) => group.entry));
  byId('operations').append(...parts.map((group) => group.node));
  byId('tools').hidden = byId('contents').hidden = false;
  byId('loading').textContent = '';
  byId('filter').addEventListener('input', () => filterPage(parts, operations.length));
  filterPage(parts, operations.length);
  addEventListener('hashchange', openLinked);
  openLinked();
}

start().catch((error) => {
  byId('loading').textContent = `The description at /openapi.json could not be read: ${error.message}.`;
});
