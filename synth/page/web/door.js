// The page's own door: the instrument unpacked, the audio thread behind it, what scripts may call.
'use strict';

const $ = (id) => document.getElementById(id);
const HEAD = JSON.parse($('head').textContent);
const CLOCKS = 0.5; // s over which the audio thread's clock is looked at: it goes in steps of the device's buffer

const AGAIN = 1000; // ms until a server that was not there is asked again

/** Bytes: fetched, where the page is served and says from where, else unpacked from letters in it. */
async function unpacked(id) {
  const { from } = $(id).dataset;
  if (from) return awaited(from);
  const letters = atob($(id).textContent);
  const bytes = Uint8Array.from(letters, (each) => each.charCodeAt(0));
  return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream('gzip'))).arrayBuffer();
}

async function fetched(from) {
  const answer = await fetch(from);
  if (!answer.ok) throw new Error(`the server answers ${answer.status}`);
  return answer.arrayBuffer();
}

/** The same from a server that may go while the page loads, and come again. */
async function awaited(from) {
  for (;;) {
    try {
      return await fetched(from);
    } catch (failure) {
      if (!(failure instanceof TypeError)) throw failure; // no answer is one of these, whatever the network says
    }
    await new Promise((later) => setTimeout(later, AGAIN));
  }
}

/** What all models of the page are worked with. */
const compiledCode = unpacked('code').then(async (code) => ({ code, module: await WebAssembly.compile(code) }));

let content = Promise.all([unpacked('data'), compiledCode]).then(([bytes, { code, module }]) => ({
  head: HEAD, bytes, code, functions: HEAD.functions, module,
}));

window.tinewright = {
  /** Resolves when the page can render and play. */
  get ready() {
    return content.then(() => true);
  },
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
  static async on(context, { head, bytes, code: compiled, functions }) {
    const code = `${$('engine').textContent}\n${$('worklet').textContent}`;
    context.taught ??= context.audioWorklet.addModule(`data:text/javascript;charset=utf-8,${encodeURIComponent(code)}`);
    await context.taught;
    const node = new AudioWorkletNode(context, 'tinewright', {
      numberOfInputs: 0, outputChannelCount: [2], processorOptions: { head, bytes, code: compiled, functions },
    });
    return new Player(context, node);
  }

  constructor(context, node) {
    super();
    Object.assign(this, { context, node, ahead: 0, clocks: [] });
    this.output = new GainNode(context);
    node.connect(this.output).connect(context.destination);
    this.made = new Promise((made) => { this.isMade = made; });
    node.port.onmessage = ({ data }) => {
      if (data.ready) this.isMade();
      if (data.audio !== undefined) this.ahead = data.audio - data.time;
      this.dispatchEvent(new CustomEvent('told', { detail: data }));
    };
    node.onprocessorerror = (event) => this.dispatchEvent(new CustomEvent('broken', { detail: event.message }));
  }

  tell(message) {
    this.node.port.postMessage(message);
  }

  /** The engine's second at a second of the page's clock; the steps of the device's clock are smoothed out. */
  second(time) {
    const now = performance.now() / 1000;
    this.clocks.push({ now, lead: this.context.currentTime - this.ahead - now });
    while (this.clocks[0].now < now - CLOCKS) this.clocks.shift();
    return time + Math.max(...this.clocks.map((each) => each.lead));
  }
}

const newContext = () => new AudioContext({ sampleRate: HEAD.rate, latencyHint: 'interactive' });

/** What is played and told from now on. */
function playBy(player) {
  player.addEventListener('told', ({ detail }) => { if (player === window.tinewright.player) heard(detail); });
  player.addEventListener('broken', ({ detail }) => say(`The sound stopped: ${detail ?? 'an error in the audio thread'}.`));
  player.tell({ through: $('through').value, gain_db: Number($('gain').value) });
  window.tinewright.player = player;
}

const PATIENCE = 2000; // ms until a context that does not start is told of

/** A context that runs: without a sound device, or before a gesture, a browser never says that it does. */
async function running(context) {
  const late = setTimeout(() => {
    if (context.state !== 'running') say('No sound yet: this browser has no sound device, or waits for a click.');
  }, PATIENCE);
  await context.resume();
  clearTimeout(late);
}

let starting = null;

/** Sound on: browsers allow it from a gesture on. */
function soundOn() {
  starting ??= (async () => {
    playBy(await Player.on(newContext(), await content));
    $('sound').textContent = 'Sound is on';
  })().catch((failure) => {
    starting = null; // it may go next time, with another model
    say(`No sound here: ${failure.message}`);
    throw failure;
  });
  return starting.then(async () => {
    const { player } = window.tinewright;
    if (player.context.state !== 'running') await running(player.context);
    return player;
  });
}
