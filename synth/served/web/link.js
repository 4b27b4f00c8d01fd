// The server: what it tells, what it is asked. All addresses are beside the page's own, which has the secret in it.
'use strict';

const bench = {
  state: null, // the last that was told: see session.py
  linked: false,
  events: null,
  later: 0, // when it is looked for again
  asking: null, // the last change that is not answered yet
  on: { state: [], link: [] }, // who is called
};

/** The server was asked and did not answer: whether it did what was asked nobody here knows. */
class NoAnswer extends Error {
  constructor() { super('The server does not answer.'); }
}

/** Asks for a change; resolves to the answer, throws what was refused. */
async function asked(name, body = {}) {
  let answer;
  let told;
  try {
    answer = await fetch(name, { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(body) });
    told = await answer.json();
  } catch (failed) {
    if (failed instanceof SyntaxError) throw new Error(`the server answers ${answer.status}`);
    throw new NoAnswer();
  }
  if (!answer.ok) throw new Error(told.refused ?? `the server answers ${answer.status}`);
  return told;
}

/** A change decided on the text that this page knows; one after the other, a later one on what an earlier one makes. */
async function changed(name, body = {}, drawn = null) {
  const { asking, state: { text } } = bench;
  const mine = afterwards(asking, text, { name, body, drawn });
  bench.asking = mine;
  const { state } = await mine;
  if (bench.asking === mine) bench.asking = null;
  if (state) stateTold(state);
  return Boolean(state);
}

/** `drawn` is that from which the page drew what is changed: its text stands for it. */
async function afterwards(earlier, text, { name, body, drawn }) {
  const own = await earlier;
  const on = own?.from === text ? own.to : text;
  try {
    const state = await asked(name, { on, ...(drawn && { drawn: drawn.text }), ...body });
    if (drawn?.text === on && body.edits.every(inPlace)) drawn.text = state.text;
    return { from: text, to: state.text, state };
  } catch (refused) {
    say(refused instanceof NoAnswer ? `${refused.message} Look whether it was changed when it is back.` : `Not changed: ${refused.message}`);
    return { from: text, to: on, state: null };
  }
}

/** Whether an edit leaves every other thing at its path. */
const inPlace = ({ path, value, instead_of: instead }) => !path.endsWith(']') && !(value instanceof Object) && !instead;

/** A state, unless a later one of the same server is known. */
function stateTold(state) {
  if (bench.state?.server === state.server && state.serial < bench.state.serial) return;
  bench.state = state;
  for (const each of bench.on.state) each(state);
}

function linked(yes) {
  if (bench.linked === yes) return;
  bench.linked = yes;
  for (const each of bench.on.link) each(yes);
}

/** What is told comes in by itself; a server that comes back is found again. */
function listen() {
  clearTimeout(bench.later);
  bench.events?.close();
  const events = new EventSource('events');
  bench.events = events;
  events.onopen = () => linked(true);
  events.onerror = () => {
    linked(false);
    if (events.readyState === EventSource.CLOSED) bench.later = setTimeout(listen, 1000);
  };
  events.addEventListener('state', ({ data }) => stateTold(JSON.parse(data)));
  for (const [name, hear] of Object.entries(bench.hears)) events.addEventListener(name, ({ data }) => hear(JSON.parse(data)));
}

bench.hears = {}; // by the name of an event
