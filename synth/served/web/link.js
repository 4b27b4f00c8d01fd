// The server: what it tells, what it is asked. All addresses are beside the page's own, which has the secret in it.
'use strict';

const bench = {
  state: null, // the last that was told: see session.py
  linked: false,
  on: { state: [], link: [] }, // who is called
};

/** Asks for a change; resolves to the answer, throws what was refused. */
async function asked(name, body = {}) {
  let answer;
  try {
    answer = await fetch(name, { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(body) });
  } catch {
    throw new Error('The server does not answer: nothing was changed.');
  }
  const told = await answer.json();
  if (!answer.ok) throw new Error(told.refused ?? `the server answers ${answer.status}`);
  return told;
}

/** A change decided on the text that this page knows. */
async function changed(name, body = {}) {
  try {
    const state = await asked(name, { on: bench.state.text, ...body });
    stateTold(state);
    return true;
  } catch (refused) {
    say(`Not changed: ${refused.message}`);
    return false;
  }
}

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
  const events = new EventSource('events');
  bench.events = events;
  events.onopen = () => linked(true);
  events.onerror = () => {
    linked(false);
    if (events.readyState === EventSource.CLOSED) setTimeout(listen, 1000);
  };
  events.addEventListener('state', ({ data }) => stateTold(JSON.parse(data)));
  for (const [name, hear] of Object.entries(bench.hears)) events.addEventListener(name, ({ data }) => hear(JSON.parse(data)));
}

bench.hears = {}; // by the name of an event
