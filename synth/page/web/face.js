// What is seen and touched: the page's own door, the audio thread behind it, a picture, mouse and keys.
'use strict';

const $ = (id) => document.getElementById(id);
const KEYS = 'asdfghjkl';
const TRAIL = 0.05; // s over which a hand's speed is read
const PALMS_APART = 0.003; // s, so that one block need not carry them all
const LIFT = 60; // ms that a stick which was lifted may still be on its way
const NEAR = 0.012; // m before a group, where its stroke begins
const HEAD = JSON.parse($('head').textContent);

/** Bytes from letters, unpacked. */
async function unpacked(id) {
  const letters = atob($(id).textContent);
  const bytes = Uint8Array.from(letters, (each) => each.charCodeAt(0));
  return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream('gzip'))).arrayBuffer();
}

const content = Promise.all([unpacked('data'), unpacked('code')]).then(async ([bytes, code]) => ({
  head: HEAD, bytes, code, functions: HEAD.functions, module: await WebAssembly.compile(code),
}));

window.tinewright = {
  /** Resolves when the page can render and play. */
  ready: content.then(() => true),
  /** {stroke: [...], through, seconds}, keys of a stroke script: resolves to {left, right}, Float32Array. */
  async render(script) {
    const steps = renderScript(await content, { through: HEAD.radiators[0].name, ...script });
    for (let until = performance.now() + 40; ;) {
      const { value, done } = steps.next();
      if (done) return value;
      if (performance.now() < until) continue;
      await new Promise((resolve) => setTimeout(resolve));
      until = performance.now() + 40;
    }
  },
  /** The audio thread, once sound is on: see worklet.js for what it is told and what it tells. */
  player: null,
};

/** The audio thread of a context: `tell` it something, `heard` is called with what it says. */
class Player extends EventTarget {
  static async on(context) {
    const code = `${$('engine').textContent}\n${$('worklet').textContent}`;
    await context.audioWorklet.addModule(`data:text/javascript;charset=utf-8,${encodeURIComponent(code)}`);
    const { head, bytes, code: compiled, functions } = await content;
    const node = new AudioWorkletNode(context, 'tinewright', {
      numberOfInputs: 0, outputChannelCount: [2], processorOptions: { head, bytes, code: compiled, functions },
    });
    return new Player(context, node);
  }

  constructor(context, node) {
    super();
    Object.assign(this, { context, node, ahead: 0 });
    node.connect(context.destination);
    node.port.onmessage = ({ data }) => {
      if (data.audio !== undefined) this.ahead = data.audio - data.time;
      this.dispatchEvent(new CustomEvent('told', { detail: data }));
    };
    node.onprocessorerror = (event) => this.dispatchEvent(new CustomEvent('broken', { detail: event.message }));
  }

  tell(message) {
    this.node.port.postMessage(message);
  }

  /** The engine's second at a second of the page's clock. */
  second(time) {
    return this.context.currentTime - this.ahead - (performance.now() / 1000 - time);
  }
}

let starting = null;

/** Sound on: browsers allow it from a gesture on. */
function soundOn() {
  starting ??= (async () => {
    const context = new AudioContext({ sampleRate: HEAD.rate, latencyHint: 'interactive' });
    const player = await Player.on(context);
    player.addEventListener('told', ({ detail }) => told(detail));
    player.addEventListener('broken', ({ detail }) => say(`The sound stopped: ${detail ?? 'an error in the audio thread'}.`));
    player.tell({ through: $('through').value, gain_db: Number($('gain').value) });
    window.tinewright.player = player;
    $('sound').textContent = 'Sound is on';
    return player;
  })().catch((failure) => {
    say(`No sound here: ${failure.message}`);
    throw failure;
  });
  return starting.then(async (player) => {
    if (player.context.state !== 'running') await player.context.resume();
    return player;
  });
}

function say(words) {
  $('said').textContent = words;
}

let swings = new Float32Array(2 * HEAD.picture.length);
let touching = new Set();

function told(data) {
  if (data.swings) {
    swings = data.swings;
    touching = new Set(data.touching.flatMap(([, tines]) => tines));
    $('peak').value = 20 * Math.log10(data.peak + 1e-6);
    $('levels').textContent = data.spl_db < 0 ? 'silent' : `${data.spl_db.toFixed(0)} dB SPL, ${data.a_db.toFixed(0)} dB(A) at ${HEAD.listener_m.toFixed(1)} m`;
    $('limit').textContent = data.limited_db > 0.1 ? `limiting by ${data.limited_db.toFixed(1)} dB` : 'not limiting';
  }
  if (data.report) {
    const met = data.report.touches.filter((each) => each.touches > 0).length;
    const { name } = HEAD.groups[data.report.group];
    if (data.report.crowded) say('Too many sticks at once.');
    else say(data.report.missed || !met ? `The stick passed over ${name}.` : `${name}, ${data.report.direction}: ${met} tines.`);
  }
  if (data.refused) say(`Not played: ${data.refused}`);
}

/** What the controls say of a stroke. */
function manner() {
  return {
    stick: $('stick').value, grip: $('grip').value, bite_mm: Number($('bite').value), tilt_deg: Number($('tilt').value),
  };
}

let strokes = 0;

/** A stroke over a whole group at the speed of keys. */
async function strokeGroup(group, direction) {
  const player = await soundOn();
  player.tell({ begin: { id: `key${strokes++}`, group, direction, speed_mm_s: Number($('speed').value), ...manner() } });
}

// --- the picture: tines as lines over the bar, seen from the front ---

const canvas = $('instrument');
const pen = canvas.getContext('2d');
const spans = HEAD.groups.map(({ tines }) => {
  const places = tines.map((r) => HEAD.picture[r].x);
  return [Math.min(...places), Math.max(...places)];
});
const still = matchMedia('(prefers-reduced-motion: reduce)');
const tallest = Math.max(...HEAD.picture.map((each) => each.length));
const margin = 0.03 * HEAD.bar.length;

function toX(place) {
  return ((place + margin) / (HEAD.bar.length + 2 * margin)) * canvas.width;
}

function toPlace(px) {
  return (px / canvas.clientWidth) * (HEAD.bar.length + 2 * margin) - margin;
}

function draw(now) {
  const scale = devicePixelRatio;
  const [width, height] = [Math.round(canvas.clientWidth * scale), Math.round(canvas.clientHeight * scale)];
  if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
  const base = 0.84 * height;
  const up = (0.76 * height) / tallest;
  pen.clearRect(0, 0, width, height);
  pen.fillStyle = '#5b6570';
  pen.fillRect(toX(0), base, toX(HEAD.bar.length) - toX(0), 0.05 * height);
  HEAD.picture.forEach((tine, r) => drawTine(tine, r, base, up, now));
  pen.fillStyle = '#1d2733';
  pen.font = `${Math.round(14 * scale)}px system-ui, sans-serif`;
  pen.textAlign = 'center';
  HEAD.groups.forEach(({ name }, g) => pen.fillText(name, toX((spans[g][0] + spans[g][1]) / 2), base + 0.1 * height));
  requestAnimationFrame(draw);
}

function drawTine({ x: place, length, diameter, hz }, r, base, up, now) {
  const x = toX(place);
  const top = base - length * up;
  const swing = Math.min(0.012 * canvas.width, 2.2 * Math.sqrt(Math.hypot(swings[2 * r], swings[2 * r + 1])) * canvas.width);
  if (swing > 0.5) {
    pen.fillStyle = '#b9cfe4';
    pen.beginPath();
    pen.moveTo(x, base);
    pen.lineTo(x - swing, top);
    pen.lineTo(x + swing, top);
    pen.fill();
  }
  const lean = still.matches ? 0 : swing * Math.sin((now / 1000) * 2 * Math.PI * (2 + hz / 200));
  const met = touching.has(r);
  pen.strokeStyle = met ? '#8a3d0c' : '#1d2733';
  pen.lineWidth = Math.max(devicePixelRatio, (diameter / (HEAD.bar.length + 2 * margin)) * canvas.width) * (met ? 2 : 1);
  pen.beginPath();
  pen.moveTo(x, base);
  pen.quadraticCurveTo(x + 0.2 * lean, (base + top) / 2, x + lean, top);
  pen.stroke();
}

// --- the stick in a hand: one stroke for each pointer ---

const hands = new Map();

/** The hand of a pointer from its last places: where it is, m, how fast, m/s, and when, in seconds of the page. */
function hand(trail) {
  const last = trail.at(-1);
  const first = trail.find((each) => each.t >= last.t - TRAIL) ?? last;
  const speed = last.t > first.t ? (last.x - first.x) / (last.t - first.t) : 0;
  return { at: last.x, speed, time: last.t };
}

function moved(event) {
  const state = hands.get(event.pointerId);
  const { player } = window.tinewright;
  if (!state || !player) return;
  const box = canvas.getBoundingClientRect();
  const events = event.getCoalescedEvents?.() ?? [];
  for (const each of events.length ? events : [event]) {
    state.trail.push({ t: each.timeStamp / 1000, x: toPlace(each.clientX - box.left) });
  }
  while (state.trail.length > 2 && state.trail[0].t < state.trail.at(-1).t - 2 * TRAIL) state.trail.shift();
  follow(state, hand(state.trail), player);
}

function follow(state, { at, speed, time }, player) {
  if (Math.abs(speed) < 0.02) return;
  const direction = speed > 0 ? 'forward' : 'backward';
  const late = (performance.now() / 1000 - time) * speed;
  const there = at + late;
  const told = { at_mm: at * 1000, speed_mm_s: Math.min(3000, Math.abs(speed) * 1000), time: player.second(time) };
  const { stroke } = state;
  if (stroke && stroke.direction === direction && there > spans[stroke.group][0] - NEAR && there < spans[stroke.group][1] + NEAR) {
    player.tell({ move: { id: stroke.id, ...told } });
    return;
  }
  if (stroke && stroke.direction !== direction) player.tell({ end: stroke.id });
  const sign = speed > 0 ? 1 : -1;
  const group = spans.findIndex(([low, high]) => there > low - NEAR && there < high + NEAR && (sign > 0 ? there < high : there > low));
  if (group < 0 || (stroke && stroke.group === group && stroke.direction === direction)) return;
  state.stroke = { id: `hand${strokes++}`, group, direction };
  player.tell({ begin: { ...state.stroke, ...told, ...manner() } });
}

canvas.addEventListener('pointerdown', (event) => {
  canvas.setPointerCapture(event.pointerId);
  hands.set(event.pointerId, { trail: [], stroke: null });
  soundOn();
  moved(event);
});
canvas.addEventListener('pointermove', moved);
function lifted(event) {
  const { stroke } = hands.get(event.pointerId) ?? {};
  hands.delete(event.pointerId);
  if (stroke) setTimeout(() => window.tinewright.player.tell({ end: stroke.id }), LIFT);
}

for (const name of ['pointerup', 'pointercancel']) canvas.addEventListener(name, lifted);

addEventListener('keydown', (event) => {
  if (event.repeat || event.ctrlKey || event.metaKey || event.altKey || event.target.matches('select, input')) return;
  const group = KEYS.indexOf(event.key.toLowerCase());
  if (group >= 0 && group < HEAD.groups.length) strokeGroup(group, event.shiftKey ? 'backward' : 'forward');
  if (event.key === ' ' && !event.target.matches('button, summary')) {
    event.preventDefault();
    HEAD.groups.forEach(({ name }, n) => {
      window.tinewright.player?.tell({ play: { palm: name, at_s: PALMS_APART * n, hold_s: 0.3 } });
    });
  }
});

function fill(select, names) {
  for (const name of names) select.add(new Option(name, name));
}

function shown(control, output, words) {
  control.addEventListener('input', () => { output.textContent = words(Number(control.value)); });
}

fill($('through'), HEAD.radiators.map((each) => each.name));
fill($('stick'), Object.keys(HEAD.sticks));
for (const words of HEAD.left_out) $('left-out').append(Object.assign(document.createElement('li'), { textContent: words }));
shown($('bite'), $('bite-mm'), (x) => `${x.toFixed(1)} mm`);
shown($('tilt'), $('tilt-deg'), (x) => `${x}°`);
shown($('speed'), $('speed-mm'), (x) => `${x} mm/s`);
shown($('gain'), $('gain-db'), (x) => `${x} dB`);
$('gain').addEventListener('input', () => window.tinewright.player?.tell({ gain_db: Number($('gain').value) }));
$('through').addEventListener('change', () => window.tinewright.player?.tell({ through: $('through').value }));
for (const control of [$('stick'), $('grip')]) {
  control.addEventListener('change', () => window.tinewright.player?.tell({ prepare: manner() }));
}
$('sound').addEventListener('click', soundOn);
content.catch((failure) => say(`This browser cannot open the instrument: ${failure.message}`));
requestAnimationFrame(draw);
