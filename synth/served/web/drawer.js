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

/** `told` is what was drawn of that which is set. */
const set = (edits, told = things.told) => changed('change', { edits }, told);

const RESTING = 500; // ms after the last step
let lines = 0;
let behind = false; // the lines are of a model that is no more

/** A line: label, what is set, unit or button. */
function line(label, control, last = '') {
  control.id = `set-${++lines}`;
  return made('div', { className: 'field' }, made('label', { htmlFor: control.id, textContent: label }), control,
    typeof last === 'string' ? made('span', { textContent: last }) : last);
}

const inInches = () => things.told?.units === 'inch';

/** A length in mm as people are told it. */
const lengthSaid = (mm, digits = null) => (inInches() ? `${(mm / 25.4).toFixed(3)} in` : `${digits === null ? mm : mm.toFixed(digits)} mm`);

/** The number that a control shows, so many times; untouched it is the value itself, and not what is shown of it. */
const numberIn = (control, value, times) => (times !== 1 && control.value === control.defaultValue ? value : Number(control.value) * times);

function fieldLine(field) {
  const { label, value, unit, hint, slot, times } = field;
  const { told } = things;
  const words = field.among ? told.choices[field.among] : field.choices;
  const control = words.length ? chooser(words, value) : typed(field.step && value !== null ? value / times : value, field.step);
  control.dataset.path = slot.path + slot.inner;
  if (hint) control.title = hint;
  committed(control, value, (own) => (field.step ? (own.value === '' ? null : numberIn(own, value, times)) : own.value || null),
    async (next) => {
      const kept = await set(editsOf(slot, next), told);
      if (kept) field.value = next; // until all is told anew
      return kept;
    });
  return line(label, control, unit);
}

/** What is set is written once, as soon as it is meant; what was refused can be tried again. */
function committed(control, value, read, write, felt = () => {}) {
  control.wiring = { sent: value, stands: value, read, write, felt };
  control.addEventListener('change', async () => {
    const { wiring } = control;
    if (control.dataset.swallowed) {
      toldSwallowed(control);
      control.value = control.defaultValue;
      delete control.dataset.swallowed;
      return;
    }
    const next = wiring.read(control);
    if (next === wiring.sent) return;
    wiring.sent = next;
    Object.assign(control.dataset, { sent: 'yes', asked: 'yes' });
    delete control.dataset.refused;
    const kept = await wiring.write(next);
    if (kept) wiring.stands = next;
    if (next !== wiring.sent) return; // another value was sent since
    delete control.dataset.asked;
    if (!kept) {
      wiring.sent = wiring.stands;
      if (control.dataset.sent) control.dataset.refused = 'yes';
      delete control.dataset.sent; // it stays to be mended
    }
    if (behind) showFields();
  });
  control.addEventListener('input', () => {
    delete control.dataset.sent;
    delete control.dataset.refused;
    control.wiring.felt(control);
  });
}

function chooser(words, value) {
  const all = value === null || words.includes(value) ? words : [value, ...words];
  const control = made('select', {}, ...(value === null ? [new Option('as usual', '')] : []), ...all.map((each) => new Option(each, each)));
  control.value = value ?? '';
  return control;
}

function typed(value, step) {
  const control = made('input', { type: step ? 'number' : 'text', autocomplete: 'off' });
  if (step) {
    control.step = 'any';
    control.addEventListener('focus', () => delete control.dataset.swallowed);
    control.addEventListener('beforeinput', numeral);
  }
  control.defaultValue = control.value = value === null ? '' : step ? String(Number(value.toFixed(4))) : value;
  control.addEventListener('keydown', (event) => stepped(event, control, step));
  return control;
}

/** A decimal comma is a point. A browser swallows it and all that is no number: 12,5 was 125, and 3 5/8 was 358. */
function numeral(event) {
  const { data, target } = event;
  if (!data || /^[-+.\deE]*$/.test(data)) return;
  event.preventDefault();
  if (/^[-+.,\deE]*$/.test(data)) {
    document.execCommand('insertText', false, data.replaceAll(',', '.'));
    return;
  }
  target.dataset.swallowed = data;
  toldSwallowed(target);
}

const toldSwallowed = (control) => say(`Not changed: "${control.dataset.swallowed}" is no part of a number; write it like 12.5`);

/** Enter writes, also once more; up and down go by a step that a workshop means, and are written when the hand rests. */
function stepped(event, control, step) {
  const mean = () => control.dispatchEvent(new Event('change'));
  clearTimeout(control.resting);
  if (event.key === 'Enter') mean();
  if (!step || (event.key !== 'ArrowUp' && event.key !== 'ArrowDown')) return;
  event.preventDefault();
  control.value = String(Number((Number(control.value) + (event.key === 'ArrowUp' ? step : -step)).toFixed(4)));
  control.dispatchEvent(new Event('input'));
  control.resting = setTimeout(mean, RESTING);
}

/** Whether something is half typed: nothing is taken from under the hand that types it. */
function typing(control) {
  const { sent, refused } = control?.dataset ?? {};
  return control?.tagName === 'INPUT' && control.value !== control.defaultValue && !sent && !refused;
}

/** Whether what was set is not answered yet: it is not known what stands there, nor whether it is to be mended. */
const unanswered = () => things.chosen === things.shown && Boolean($('fields').querySelector('[data-asked]'));

/** The lines of what is chosen; the same line keeps the keyboard, and what was refused in it. */
function showFields() {
  const { told, chosen } = things;
  const { activeElement } = document;
  const hand = activeElement?.closest('#fields') ? activeElement : null;
  behind = Boolean(told) && (told.model !== HEAD.model || typing(hand) || unanswered());
  if (!told || behind) return;
  things.shown = chosen;
  const { kind, index, name } = chosen;
  const body = { bar: barLines, group: () => groupLines(index), tine: () => tineLines(index), board: () => boardLines(name) }[kind]();
  const same = hand?.dataset.path && body.flatMap((each) => [...each.querySelectorAll('[data-path]')]).find((each) => each.dataset.path === hand.dataset.path);
  if (same && alike(hand, same)) drawAround(hand, same, body);
  else $('fields').replaceChildren(...body);
  if (!same?.isConnected) return;
  same.focus();
  if (!hand.dataset.refused) return;
  same.value = hand.value;
  same.dataset.refused = 'yes';
  behind = true; // until the hand leaves it
}

/** Whether a line that is drawn anew says what it says under the hand. */
const alike = (hand, same) => !hand.dataset.refused && hand.tagName === same.tagName && hand.value === same.value && hand.innerHTML === same.innerHTML;

/** All is drawn anew but what is under the hand: what is marked or rolled out there stays so, and means what is told now. */
function drawAround(hand, same, body) {
  const { id, title, wiring, defaultValue } = same;
  Object.assign(hand, { id, title, wiring, defaultValue });
  delete hand.dataset.sent;
  const [stays, drawn] = [hand, same].map((each) => each.closest('.field'));
  for (const [all, one] of [[$('fields'), stays], [stays, hand]]) for (const each of [...all.children]) if (each !== one) each.remove();
  const [label, , last] = drawn.children;
  hand.before(label);
  hand.after(last);
  const at = body.indexOf(drawn);
  stays.before(...body.slice(0, at));
  stays.after(...body.slice(at + 1));
}

// the hand leaves a line; one that is drawn anew is gone itself
$('fields').addEventListener('focusout', ({ target }) => setTimeout(() => { if (behind && target.isConnected) showFields(); }));

const groupLines = (g) => things.told.groups[g].fields.map(fieldLine);

function barLines() {
  const { told } = things;
  const { fields, supports } = told.bar;
  const add = made('button', { type: 'button', textContent: 'Add a support in the middle' });
  add.addEventListener('click', () => set([{ path: 'bar.supports[+]', value: { at_mm: Math.round(500 * HEAD.bar.length), kind: 'cord' } }], told));
  return [
    ...fields.map(fieldLine),
    ...supports.flatMap((each, n) => [...each.map(fieldLine), takeAway(`Take support ${n + 1} away`, [{ path: `bar.supports[${n + 1}]`, value: null }])]),
    add,
  ];
}

function takeAway(words, edits) {
  const { told } = things;
  const button = made('button', { type: 'button', textContent: words });
  button.addEventListener('click', () => set(edits, told));
  return button;
}

things.on.push(showFields);
