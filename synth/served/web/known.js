// What is known of the model: warnings, quarrels with what settles them, strength, papers. Asked for after the sound.
'use strict';

const QUIET_MS = 1200; // ms after a change before what takes seconds is asked for
const known = { told: null, advice: null, past: [], quarrelling: [], timer: 0 };

async function askKnown() {
  const { model } = HEAD;
  clearTimeout(known.timer);
  Object.assign(known, { told: null, advice: null, past: [], quarrelling: [] });
  marks.quarrel = null;
  const told = await fetchedJson(`know/${model}`);
  if (HEAD.model !== model) return;
  known.told = told;
  known.past = told.strength.tines.flatMap((each, r) => (each.endurance_share > 1 ? [r] : []));
  known.quarrelling = [...new Set(told.quarrels.map((each) => each.tine))];
  showKnown();
  showFields();
  known.timer = setTimeout(() => askAdvice(model).catch(() => {}), QUIET_MS);
}

async function askAdvice(model) {
  const advice = await fetchedJson(`advise/${model}`);
  if (HEAD.model !== model) return;
  known.advice = advice;
  showKnown();
}

const list = (items) => made('ul', {}, ...items.map((each) => made('li', {}, ...(Array.isArray(each) ? each : [each]))));

/** A part of what is known, which stays open when it is told anew. */
function part(name, words, ...content) {
  const open = document.querySelector(`[data-part="${name}"]`)?.open ?? false;
  const found = made('details', { open }, made('summary', { textContent: words }), ...content);
  found.dataset.part = name;
  return found;
}

function showKnown() {
  const { told, advice } = known;
  const { quarrels, quarrel_count: count, warnings, strength } = told;
  const past = known.past.length;
  $('known-head').textContent = `${count} quarrels, ${past} tines past endurance, ${warnings.length} warnings`;
  const focused = document.activeElement?.dataset?.known;
  $('known-body').replaceChildren(
    part('quarrels', `Quarrels between tines and bar: ${count}`, ...quarrelParts(quarrels, count)),
    part('strength', `Strength: ${past} past endurance`, made('p', { textContent: `Under ${strength.stroke}, the worst stick of each tine.` }),
      made('pre', { tabIndex: 0, textContent: `${strength.first_to_go}\n\n${strength.method}` })),
    part('warnings', `Warnings: ${warnings.length}`, list(warnings)),
    part('boards', 'Boards', ...(advice ? [list(advice.boards.length ? advice.boards : ['No fundamental is lifted or spent more than the others.'])] : ['being worked out'])),
    part('totals', 'Totals and losses', made('p', { textContent: told.totals }), made('p', { textContent: told.losses })),
  );
  if (focused) document.querySelector(`[data-known="${focused}"]`)?.focus();
}

function quarrelParts(quarrels, count) {
  if (!count) return ['No tine quarrels with the bar.'];
  const more = count > quarrels.length ? [`and ${count - quarrels.length} more, milder`] : [];
  return [searchButton(), made('div', { id: 'better' }), list(quarrels.map(quarrelItem)), ...more];
}

function quarrelItem(quarrel, n) {
  const show = made('button', { type: 'button', textContent: 'Draw it' });
  show.dataset.known = `quarrel ${n}`;
  show.addEventListener('click', () => {
    marks.quarrel = marks.quarrel === quarrel ? null : quarrel;
    chooseTine(quarrel.tine);
  });
  const remedies = known.advice?.remedies[n] ?? [];
  return [`${quarrel.words}. `, show, ...remedies.map((each) => tryButton(each))];
}

/** One press makes the change; one more takes it back. */
function tryButton({ words, edits }) {
  const button = made('button', { type: 'button', textContent: `Try: ${words}` });
  button.addEventListener('click', async () => {
    if (await set(edits)) say(`Tried: ${words}. Take back undoes it.`);
  });
  return button;
}

function searchButton() {
  const button = made('button', { type: 'button', textContent: 'Look for better places and bars' });
  button.dataset.known = 'search';
  button.addEventListener('click', async () => {
    button.disabled = true;
    say('Looking for better places; this takes some seconds.');
    try {
      tellBetter(await asked('suggest', { model: HEAD.model }));
    } catch (refused) {
      say(refused.message);
    }
    button.disabled = false;
  });
  return button;
}

function tellBetter({ severity, found }) {
  say(found.length ? `${found.length} better ways were found.` : 'Nothing better was found nearby.');
  $('better').replaceChildren(list(found.map((each) => [
    `severity ${severity.toFixed(1)} → ${each.severity.toFixed(1)}, ${each.quarrels} quarrels. `, tryButton(each),
  ])));
}

/** At the tine itself: what it bears, and its quarrels. */
function knownOfTine(r) {
  const strength = known.told?.strength.tines[r];
  if (!strength) return [];
  const { stick, endurance_share: share, bite_million_mm: bite } = strength;
  const past = share > 1;
  const deepest = bite === null ? 'over 20' : bite.toFixed(1);
  const words = `${(100 * share).toFixed(0)} % of what its root bears for a million strokes, under ${stick}; deepest bite for a million: ${deepest} mm.`;
  const own = known.told.quarrels.filter((each) => each.tine === r);
  return [
    made('span', { className: past ? 'past' : '', textContent: `${past ? 'Past its endurance: ' : ''}${words}` }),
    ...own.map((each) => made('span', { textContent: ` Quarrel: ${each.words}.` })),
  ];
}

function offerPapers() {
  $('papers-list').replaceChildren(...things.told.papers.map(({ file, words }) => made('li', {},
    made('a', { href: `papers/${HEAD.model}/${file}`, target: '_blank', rel: 'noopener', textContent: words }))));
}

things.on.push(offerPapers);
bench.on.shown.push(() => askKnown().catch((failure) => say(failure.message)));
