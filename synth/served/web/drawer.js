// The drawer of what is chosen: a line for everything that can be set; what is set is written into the file.
'use strict';

const made = (tag, properties, ...children) => {
  const element = Object.assign(document.createElement(tag), properties);
  element.append(...children);
  return element;
};

/** The edits that put a value where the server said that it goes. */
function editsOf({ path, inner, besides, instead_of: instead, also_gone: gone }, value) {
  const edits = [{ path, value: inner ? { ...besides, [inner]: value } : value, instead_of: instead }];
  if (gone) edits.push({ path: gone, value: null });
  return edits;
}

const set = (edits) => changed('change', { edits });

const RESTING = 500; // ms after the last step
let lines = 0;
let behind = false; // the lines are of a model that is no more

/** A line: label, what is set, unit or button. */
function line(label, control, last = '') {
  control.id = `set-${++lines}`;
  return made('div', { className: 'field' }, made('label', { htmlFor: control.id, textContent: label }), control,
    typeof last === 'string' ? made('span', { textContent: last }) : last);
}

function fieldLine(field) {
  const { label, value, unit, hint, slot } = field;
  const words = field.among ? things.told.choices[field.among] : field.choices;
  const control = words.length ? chooser(words, value) : typed(value, field.step);
  control.dataset.path = slot.path + slot.inner;
  if (hint) control.title = hint;
  committed(control, value, () => (field.step ? (control.value === '' ? null : Number(control.value)) : control.value || null),
    (next) => set(editsOf(slot, next)));
  return line(label, control, unit);
}

/** What is set is written once, as soon as it is meant; what was refused can be tried again. */
function committed(control, value, read, write) {
  let sent = value;
  control.addEventListener('change', async () => {
    const next = read();
    if (next === sent) return;
    sent = next;
    control.dataset.sent = 'yes';
    if (await write(next)) return;
    sent = value;
    delete control.dataset.sent; // it stays to be mended
  });
  control.addEventListener('input', () => delete control.dataset.sent);
}

function chooser(words, value) {
  const all = value === null || words.includes(value) ? words : [value, ...words];
  const control = made('select', {}, ...(value === null ? [new Option('as usual', '')] : []), ...all.map((each) => new Option(each, each)));
  control.value = value ?? '';
  return control;
}

function typed(value, step) {
  const control = made('input', { type: step ? 'number' : 'text', autocomplete: 'off' });
  if (step) control.step = 'any';
  control.defaultValue = control.value = value === null ? '' : step ? String(Number(value.toFixed(4))) : value;
  if (step) control.addEventListener('keydown', (event) => stepped(event, control, step));
  return control;
}

/** Up and down go by a step that a workshop means, and are written when the hand rests. */
function stepped(event, control, step) {
  const mean = () => control.dispatchEvent(new Event('change'));
  clearTimeout(control.resting);
  if (event.key === 'Enter') mean();
  if (event.key !== 'ArrowUp' && event.key !== 'ArrowDown') return;
  event.preventDefault();
  control.value = String(Number((Number(control.value) + (event.key === 'ArrowUp' ? step : -step)).toFixed(4)));
  control.dispatchEvent(new Event('input'));
  control.resting = setTimeout(mean, RESTING);
}

/** Whether something is half typed: nothing is taken from under the hand that types it. */
function typing() {
  const control = document.activeElement;
  return Boolean(control?.closest('#fields') && control.tagName === 'INPUT' && control.value !== control.defaultValue && !control.dataset.sent);
}

/** The lines of what is chosen; the same line keeps the keyboard. */
function showFields() {
  behind = Boolean(things.told) && typing();
  if (!things.told || behind) return;
  const path = document.activeElement?.closest('#fields') ? document.activeElement.dataset.path : null;
  const { kind, index, name } = things.chosen;
  const body = { bar: barLines, group: () => groupLines(index), tine: () => tineLines(index), board: () => boardLines(name) }[kind]();
  $('fields').replaceChildren(...body);
  if (path) [...$('fields').querySelectorAll('[data-path]')].find((each) => each.dataset.path === path)?.focus();
}

$('fields').addEventListener('focusout', () => setTimeout(() => { if (behind) showFields(); }));

const groupLines = (g) => things.told.groups[g].fields.map(fieldLine);

function barLines() {
  const { fields, supports } = things.told.bar;
  const add = made('button', { type: 'button', textContent: 'Add a support in the middle' });
  add.addEventListener('click', () => set([{ path: 'bar.supports[+]', value: { at_mm: Math.round(500 * HEAD.bar.length), kind: 'cord' } }]));
  return [
    ...fields.map(fieldLine),
    ...supports.flatMap((each, n) => [...each.map(fieldLine), takeAway(`Take support ${n + 1} away`, [{ path: `bar.supports[${n + 1}]`, value: null }])]),
    add,
  ];
}

function takeAway(words, edits) {
  const button = made('button', { type: 'button', textContent: words });
  button.addEventListener('click', () => set(edits));
  return button;
}

things.on.push(showFields);
