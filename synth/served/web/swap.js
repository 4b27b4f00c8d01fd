// Another model for the page while it rings: made ready by a second audio thread, then both are exchanged at once.
'use strict';

const RINGS_ON = 2; // s in which what rang fades while the new one is played
const MADE_WITHIN = 20_000; // ms in which the largest model is made ready
const swap = { wanted: null, running: false, spare: null, leaving: null, took: 0 };

/** The page's model is to be this one, heard through what is chosen. */
function want(model) {
  swap.wanted = { model, through: $('through').value };
  if (!swap.running) swapping();
}

async function swapping() {
  swap.running = true;
  while (swap.wanted) {
    const { model, through } = swap.wanted;
    const began = performance.now();
    swap.wanted = null;
    if (HEAD.model === model && HEAD.radiators.some((each) => each.name === through)) continue;
    try {
      await takeOver(await frameOf(model, through));
      swap.took = performance.now() - began;
    } catch (failure) {
      if (!swap.wanted) say(`The change cannot be heard yet: ${failure.message}`);
    }
  }
  swap.running = false;
}

/** A header and its arrays: see model.py. */
async function frameOf(model, through) {
  const bytes = await fetched(`model/${model}/${encodeURIComponent(through)}`);
  const length = new DataView(bytes).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, length)));
  return { head, bytes: bytes.slice(4 + length) };
}

async function takeOver({ head, bytes }) {
  const code = await compiledCode;
  await content.catch(() => {}); // a first model is not missed that the server has forgotten since
  await starting?.catch(() => {}); // a sound that is being put on, perhaps since then, is put on first
  const next = { ...code, head, bytes, functions: head.functions };
  const old = window.tinewright.player;
  let player = null;
  if (old) {
    swap.leaving?.();
    swap.spare ??= newContext();
    player = await Player.on(swap.spare, next);
    if (swap.spare.state !== 'running') running(swap.spare);
    await Promise.race([player.made, new Promise((late) => { setTimeout(late, MADE_WITHIN); })]); // no device, no answer
  }
  content = Promise.resolve(next);
  showModel(head);
  if (player) handOver(old, player);
}

/** All that is drawn and offered, of another model. */
function showModel(head) {
  const chosen = drawing.chosen === null ? null : HEAD.picture[drawing.chosen];
  const called = chosen && HEAD.groups[chosen.group].name;
  for (const key of Object.keys(HEAD)) delete HEAD[key];
  Object.assign(HEAD, head);
  const { pan, closer } = view;
  view.take(HEAD);
  Object.assign(view, { pan, closer });
  drawing.take();
  $('instrument').classList.toggle('plan', view.plan);
  offers();
  document.title = HEAD.name;
  document.querySelector('h1').textContent = HEAD.name;
  strains.clear();
  if (chosen) {
    const group = HEAD.groups.findIndex(({ name }) => name === called);
    const same = HEAD.picture.findIndex((each) => each.group === (group < 0 ? chosen.group : group) && each.number === chosen.number);
    if (same >= 0) showTine(same);
    else drawing.chosen = null;
  }
  for (const each of bench.on.shown) each();
}

/** Hands and palms go over to the new player; what rings goes on in the old one and fades. */
function handOver(old, player) {
  for (const hand of hands.values()) if (hand.stroke) hand.end(old);
  if (record.on) recordOff(old);
  playBy(player);
  for (const name of record.palms.keys()) {
    if (HEAD.groups.some((each) => each.name === name)) player.tell({ rest: { palm: name, down: true } });
  }
  [swap.spare, swap.leaving] = [old.context, leave(old, player)];
}

/** Together they stay within full scale; gives what ends the fading at once. */
function leave(old, player) {
  const { gain } = old.output;
  const now = old.context.currentTime;
  for (const each of [old, player]) each.tell({ headroom: 0.5 });
  gain.setValueAtTime(1, now);
  gain.linearRampToValueAtTime(0, now + RINGS_ON);
  const end = () => {
    clearTimeout(timer);
    old.tell({ over: true });
    old.output.disconnect();
    player.tell({ headroom: 1 });
    if (swap.leaving === end) swap.leaving = null;
  };
  const timer = setTimeout(end, 1000 * RINGS_ON);
  return end;
}

bench.on.shown = [];
bench.on.state.push((state) => want(state.model));
doors.through = (name) => {
  if (HEAD.radiators.some((each) => each.name === name)) window.tinewright.player?.tell({ through: name });
  else want(bench.state?.model ?? HEAD.model); // one that is on its way is not called off
};
