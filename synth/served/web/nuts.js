// The nuts of a tine: a line each, one more, and what a nut at another place would do while it is dragged.
'use strict';

const ahead = { asked: null, busy: false }; // what is to be foreseen next

function tineLines(r) {
  const { told } = things;
  const { fields, nuts } = told.tines[r];
  return [
    ...fields.map(fieldLine),
    ...nuts.placed.flatMap((each, k) => nutLines(r, k, each)),
    ...(nuts.wish ? wishLines(r, nuts.wish, told) : []),
    addNut(r),
    made('p', { className: 'known-here' }, ...knownOfTine(r)),
  ];
}

/** What the tine wishes for, and every way to have it, tried with one press. */
function wishLines(r, wish, told) {
  const found = made('div', {});
  const look = made('button', { type: 'button', textContent: 'Look for all its places' });
  look.addEventListener('click', async () => {
    look.disabled = true;
    try {
      const { ways, reach } = await fetchedJson(`trims/${told.model}/${r}`);
      found.replaceChildren(list(ways.map((each) => tryButton(each, told))), reach);
    } catch (failure) {
      say(failure.message);
    }
    look.disabled = false;
  });
  return [made('p', { textContent: wish }), look, found];
}

function nutLines(r, k, { nut, at_mm: at }) {
  const { told } = things;
  const { nuts } = told.tines[r];
  const times = inInches() ? 25.4 : 1;
  const place = typed(at / times, inInches() ? 0.02 : 0.5);
  place.dataset.path = `nut ${k}`;
  committed(place, at, (own) => numberIn(own, at, times), (to) => moveNut(r, k, to, told),
    (own) => foresee(r, nutMoved(nuts, k, numberIn(own, at, times)), told));
  const gone = made('button', { type: 'button', textContent: 'Off', ariaLabel: `Take nut ${k + 1} off`, disabled: nuts.stays });
  gone.addEventListener('click', () => putNuts(nuts, nuts.placed.filter((_, n) => n !== k), told));
  return [line(`Nut ${k + 1}, ${nut}, at ${inInches() ? 'in' : 'mm'}`, place, gone)];
}

const nutMoved = (nuts, k, at) => nuts.placed.map((each, n) => (n === k ? { ...each, at_mm: at } : each));

/** A nut's place is written where it stands, or the whole list where it must be. */
async function moveNut(r, k, at, told = things.told) {
  const { nuts } = told.tines[r];
  if (at === nuts.placed[k].at_mm) return true;
  if (!nuts.places.length) return putNuts(nuts, nutMoved(nuts, k, at), told);
  const kept = await set([{ path: nuts.places[k], value: at }], told);
  if (kept) nuts.placed[k].at_mm = at;
  return kept;
}

const putNuts = (nuts, placed, told) => set(editsOf(nuts.slot, placed.length ? [...placed].sort((a, b) => a.at_mm - b.at_mm) : null), told);

function addNut(r) {
  const { told } = things;
  const { nuts } = told.tines[r];
  const kinds = made('select', {}, new Option('add a nut', ''), ...told.choices.nut.map((each) => new Option(each, each)));
  kinds.addEventListener('change', () => {
    const middle = Math.round(600 * HEAD.picture[r].length);
    putNuts(nuts, [...nuts.placed, { nut: kinds.value, at_mm: middle }], told);
  });
  return line('One more', kinds);
}

/** Asks what a tine would be with these nuts; the last that was asked is answered last, if it is still chosen. */
async function foresee(r, nuts, { model: of } = things.told) {
  ahead.asked = { r, nuts, of, chosen: things.chosen };
  if (ahead.busy) return;
  ahead.busy = true;
  while (ahead.asked) {
    const { r: tine, nuts: placed, of: model, chosen } = ahead.asked;
    ahead.asked = null;
    try {
      const told = await asked('foresee', { model, tine, nuts: placed });
      if (HEAD.model === model && things.chosen === chosen) tellForeseen(told);
    } catch (refused) {
      if (things.chosen === chosen) $('foreseen').textContent = refused.message;
    }
  }
  ahead.busy = false;
}

function tellForeseen({ hz, length_mm: length, ratios, nearest, cents }) {
  const signed = (x) => `${x <= -0.5 ? '−' : '+'}${Math.abs(x).toFixed(0)}`;
  const overtones = ratios.map((each, n) => `${each.toFixed(3)} (${signed(cents[n])} cents from ${nearest[n]})`);
  $('foreseen').textContent = `${hz.toFixed(2)} Hz, ${lengthSaid(length, 2)} long; overtones ${overtones.join(', ')}`;
}

things.on.push(() => { $('foreseen').textContent = ''; });
