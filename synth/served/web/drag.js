// Dragging in the picture: a nut along its tine, a support or a group along the bar. What is let go is written.
'use strict';

const NEAR_PX = { mouse: 12, pen: 14, touch: 24 };
const HALF_MM = 2; // steps to a mm
const drag = { at: null }; // what is held: {kind, to, told, ...}

const changing = () => document.body.classList.contains('changing');

for (const each of document.querySelectorAll('input[name="way"]')) {
  each.addEventListener('change', () => document.body.classList.toggle('changing', each.value === 'change' && each.checked));
}

/** The place along the bar that is nearest to a point of the picture, m. */
function placeOnBar(point) {
  const { bar } = view;
  let best = { off: Infinity, at: 0 };
  for (let k = 0; k + 1 < bar.length; k++) {
    const [a, b] = [bar[k], bar[k + 1]];
    const way = [b[0] - a[0], b[1] - a[1]];
    const size = way[0] ** 2 + way[1] ** 2 || 1e-12;
    const t = Math.min(1, Math.max(0, ((point[0] - a[0]) * way[0] + (point[1] - a[1]) * way[1]) / size));
    const off = Math.hypot(point[0] - a[0] - t * way[0], point[1] - a[1] - t * way[1]);
    if (off < best.off) best = { off, at: ((k + t) / (bar.length - 1)) * HEAD.bar.length };
  }
  return best.at;
}

/** What is nearest to a place on the screen, css px. */
function handleAt(px, near) {
  const found = [...nutHandles(), ...supportHandles(), ...groupHandles()]
    .map((each) => ({ ...each, far: Math.hypot(px[0] - each.px[0], px[1] - each.px[1]) }))
    .filter(({ far }) => far <= near).sort((a, b) => a.far - b.far);
  return found[0] ?? null;
}

function nutHandles() {
  return HEAD.picture.flatMap(({ nuts }, r) => nuts.map((nut, k) => {
    const share = nut.at / view.lengths[r];
    const point = [0, 1].map((n) => view.clamps[r][n] + share * (view.tips[r][n] - view.clamps[r][n]));
    return { kind: 'nut', r, k, px: view.px(point) };
  }));
}

function supportHandles() {
  return HEAD.bar.supports.map((at, n) => {
    const [x, y] = view.px(drawing.axisAt(at));
    return { kind: 'support', n, px: [x, y + (view.plan ? 0 : 0.5 * view.thick * view.scale + 5)] };
  });
}

/** A group is held by its name, beneath the middle of its tines. */
function groupHandles() {
  return HEAD.groups.map((_, g) => ({ kind: 'group', g, px: drawing.nameAt(g) }));
}

function held(found, point) {
  if (found.kind === 'nut') return { ...found, from: HEAD.picture[found.r].nuts[found.k].at };
  if (found.kind === 'support') return { ...found, from: HEAD.bar.supports[found.n], grip: placeOnBar(point) };
  const first = HEAD.groups[found.g].tines[0];
  return { ...found, from: startOf(found.g), first, grip: placeOnBar(point) };
}

const startOf = (g) => Math.min(...(HEAD.groups[g]?.tines ?? []).map((r) => HEAD.picture[r].x));

/** The nearest mark of a ruler, in mm: half a millimetre, or a 32nd of an inch. */
const halves = (metres) => (inInches() ? Math.round((metres / 0.0254) * 32) * (25.4 / 32) : Math.round(metres * 1000 * HALF_MM) / HALF_MM);

/** Where it would go, in mm, and in words. */
function dragged(point) {
  const { kind } = drag.at;
  if (kind === 'nut') return nutDragged(point);
  drag.at.to = halves(drag.at.from + placeOnBar(point) - drag.at.grip);
  const name = kind === 'support' ? `Support ${drag.at.n + 1}` : HEAD.groups[drag.at.g].name;
  $('foreseen').textContent = `${name} at ${lengthSaid(drag.at.to)}`;
}

function nutDragged(point) {
  const { r, k, told = things.told } = drag.at;
  const { way } = view.up(r);
  const height = (point[0] - view.clamps[r][0]) * way[0] + (point[1] - view.clamps[r][1]) * way[1];
  drag.at.to = halves(Math.min(view.lengths[r], Math.max(0.001, height)));
  foresee(r, nutMoved(told.tines[r].nuts, k, drag.at.to), told);
}

async function dropped() {
  const mine = Object.assign(drag.at, { over: true });
  const { kind, to, from, r, k, n, g, told } = mine;
  const still = to === undefined || to === halves(from);
  if (!still) {
    if (kind === 'nut') await moveNut(r, k, to, told);
    else if (kind === 'support') await set([{ path: `bar.supports[${n + 1}].at_mm`, value: to }], told);
    else await set([{ path: `group[${g + 1}].start_mm`, value: to }], told);
  }
  if (drag.at === mine) drag.at = null; // else something else is held already
}

/** Of another model, what is held is let go where it is not the same any more. */
function heldStill() {
  if (!drag.at || drag.at.over) return;
  const { kind, r, k, n, g, from, name } = drag.at;
  const now = kind === 'nut' ? HEAD.picture[r]?.nuts[k]?.at : kind === 'support' ? HEAD.bar.supports[n] : startOf(g);
  if (now === from && name === nameHeld(drag.at)) return;
  drag.at = null;
  say('What was held has been changed elsewhere: it stays where it is.');
}

/** Whose it is: its group's name and, of a nut, its tine's number. */
function nameHeld({ kind, r, g }) {
  const { group, number } = kind === 'nut' ? HEAD.picture[r] ?? {} : { group: g };
  return `${HEAD.groups[group]?.name} ${number}`;
}

const pointOf = (event) => {
  const box = $('instrument').getBoundingClientRect();
  return [event.clientX - box.left, event.clientY - box.top];
};

function pick(px) {
  const found = view.pick(view.point(px), { reach: 0.01 });
  if (!found) {
    choose({ kind: 'bar' });
    return;
  }
  chooseTine(view.groups[found.group].reduce((best, r) => (Math.abs(view.places[r] - found.at) < Math.abs(view.places[best] - found.at) ? r : best)));
}

/** Before the canvas hears of it, whose hands would stroke. */
function onPicture(name, act) {
  document.querySelector('main').addEventListener(name, (event) => {
    if (event.target !== $('instrument') || !changing()) return;
    event.stopPropagation();
    act(event, pointOf(event));
  }, true);
}

onPicture('pointerdown', (event, px) => {
  const found = handleAt(px, NEAR_PX[event.pointerType] ?? 14);
  if (!found) {
    pick(px);
    return;
  }
  if (!things.told || things.told.model !== HEAD.model) return;
  $('instrument').setPointerCapture(event.pointerId);
  drag.at = { ...held(found, view.point(px)), name: nameHeld(found), told: things.told };
  if (found.kind === 'nut') chooseTine(found.r);
  else choose(found.kind === 'group' ? { kind: 'group', index: found.g } : { kind: 'bar' });
});
onPicture('pointermove', (event, px) => { if (drag.at && !drag.at.over) dragged(view.point(px)); });
onPicture('pointerup', () => { if (drag.at && !drag.at.over) dropped(); });
onPicture('pointercancel', () => { drag.at = null; });
addEventListener('keydown', (event) => { if (event.key === 'Escape') drag.at = null; });
bench.on.shown.push(heldStill);
