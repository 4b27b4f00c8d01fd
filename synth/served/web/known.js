// What is known of the model: warnings, quarrels with what settles them, strength, papers. Asked for after the sound.
'use strict';

const QUIET_MS = 1200; // ms after a change before what takes seconds is asked for
const known = { told: null, advice: null, refused: null, past: [], quarrelling: [], timer: 0 };

async function askKnown() {
  const { model } = HEAD;
  clearTimeout(known.timer);
  Object.assign(known, { told: null, advice: null, refused: null, past: [], quarrelling: [] });
  marks.quarrel = null;
  const told = await fetchedJson(`know/${model}`);
  if (HEAD.model !== model) return;
  known.told = { ...told, model, text: model };
  known.past = told.strength.tines.flatMap((each, r) => (each.endurance_share > 1 ? [r] : []));
  known.quarrelling = [...new Set(told.quarrels.map((each) => each.tine))];
  showKnown();
  showFields();
  known.timer = setTimeout(() => askAdvice(model), QUIET_MS);
}

/** It is refused of a model that the file has no longer, which may have come back meanwhile. */
async function askAdvice(model) {
  const { told } = known;
  const serial = bench.state?.serial;
  let answer;
  try {
    answer = { advice: await fetchedJson(`advise/${model}`), refused: null };
  } catch (failure) {
    answer = { advice: null, refused: { words: failure.message, serial } };
  }
  if (HEAD.model !== model || known.told !== told) return;
  Object.assign(known, answer);
  adviseAgain();
  showKnown();
}

/** What was refused is asked for again once the file says that again, and something has happened since. */
function adviseAgain() {
  const { refused, told } = known;
  if (!refused || bench.state?.model !== told.model || bench.state.serial === refused.serial) return;
  known.refused = null;
  askAdvice(told.model);
}

/** Nothing of another model stays, where this one cannot be told of. */
function tellUnknown(failure) {
  say(failure.message);
  if (known.told) return;
  $('known-head').textContent = `not known, ${failure.message}`;
  $('known-body').replaceChildren();
}

function boardParts() {
  const { advice, refused } = known;
  if (refused) return [`It could not be worked out: ${refused.words}.`];
  if (!advice) return ['being worked out'];
  return [list(advice.boards.length ? advice.boards : ['No fundamental is lifted or spent more than the others.'])];
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
  const { told } = known;
  const { quarrels, quarrel_count: count, warnings, strength } = told;
  const past = known.past.length;
  $('known-head').textContent = `${count} quarrels, ${past} tines past endurance, ${warnings.length} warnings`;
  const focused = document.activeElement?.dataset?.known;
  $('known-body').replaceChildren(
    part('quarrels', `Quarrels between tines and bar: ${count}`, ...quarrelParts(quarrels, count)),
    part('strength', `Strength: ${past} past endurance`, made('p', { textContent: `Under ${strength.stroke}, the worst stick of each tine.` }),
      made('pre', { tabIndex: 0, textContent: `${strength.first_to_go}\n\n${strength.method}` })),
    part('warnings', `Warnings: ${warnings.length}`, list(warnings)),
    part('boards', 'Boards', ...boardParts()),
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
  const { told } = known;
  show.addEventListener('click', () => {
    if (known.told !== told) return; // another model is shown, and soon told of
    marks.quarrel = marks.quarrel === quarrel ? null : quarrel;
    chooseTine(quarrel.tine);
  });
  const remedies = known.advice?.remedies[n] ?? [];
  return [`${quarrel.words}. `, show, ...remedies.map((each) => tryButton(each, told))];
}

/** One press makes the change; one more takes it back. `told` is what it was found for. */
function tryButton({ words, edits }, told) {
  const button = made('button', { type: 'button', textContent: `Try: ${words}` });
  button.addEventListener('click', async () => {
    if (await set(edits, told)) say(`Tried: ${words}. Take back undoes it.`);
  });
  return button;
}

function searchButton() {
  const button = made('button', { type: 'button', textContent: 'Look for better places and bars' });
  button.dataset.known = 'search';
  const { told } = known;
  button.addEventListener('click', async () => {
    button.disabled = true;
    say('Looking for better places; this takes some seconds.');
    try {
      const better = await asked('suggest', { model: told.model });
      if (known.told !== told) throw new Error('The design has been changed since: look again.');
      tellBetter(better);
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
    `severity ${severity.toFixed(1)} → ${each.severity.toFixed(1)}, ${each.quarrels} quarrels. `, tryButton(each, known.told),
  ])));
}

/** At the tine itself: what it bears, and its quarrels. */
function knownOfTine(r) {
  if (known.told?.model !== things.told.model) return [];
  const strength = known.told.strength.tines[r];
  const { stick, endurance_share: share, bite_million_mm: bite } = strength;
  const past = share > 1;
  const deepest = bite === null ? `over ${lengthSaid(20)}` : lengthSaid(bite, 1);
  const words = `${(100 * share).toFixed(0)} % of what its root bears for a million strokes, under ${stick}; deepest bite for a million: ${deepest}.`;
  const own = known.told.quarrels.filter((each) => each.tine === r);
  return [
    made('span', { className: past ? 'past' : '', textContent: `${past ? 'Past its endurance: ' : ''}${words}` }),
    ...own.map((each) => made('span', { textContent: ` Quarrel: ${each.words}.` })),
  ];
}

function offerPapers() {
  $('papers-list').replaceChildren(...things.told.papers.map(({ file, words }) => made('li', {},
    made('a', { href: `papers/${things.told.model}/${file}`, target: '_blank', rel: 'noopener', textContent: words }))));
}

things.on.push(offerPapers);
bench.on.state.push(adviseAgain);
bench.on.shown.push(() => askKnown().catch(tellUnknown));
