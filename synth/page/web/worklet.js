// The audio thread: messages come in between two blocks, levels and reports go out.
'use strict';

const TELL = 12; // blocks between two messages about levels and swings, 32 ms

class Playing extends AudioWorkletProcessor {
  constructor({ processorOptions: { head, bytes, code, functions } }) {
    super();
    this.engine = new Engine({ head, bytes, module: new WebAssembly.Module(code), functions });
    this.left = new Float64Array(BLOCK);
    this.right = new Float64Array(BLOCK);
    this.blocks = 0;
    this.taken = 0;
    this.peak = 0;
    this.busy = 0;
    this.worst = 0;
    this.kept = null; // what is played, while it is recorded
    this.port.onmessage = ({ data }) => this.hear(data);
    this.port.postMessage({ ready: true });
  }

  /** {prepare}, {begin}, {move}, {end}, {play}, {rest}, {through}, {gain_db}, {silence}, {record}. */
  hear(message) {
    const { engine } = this;
    try {
      if (message.prepare) engine.stick(message.prepare.stick, message.prepare.grip);
      if (message.begin) engine.begin(message.begin);
      if (message.move) engine.move(message.move);
      if (message.end !== undefined) engine.end(message.end);
      if (message.play) engine.schedule({ ...message.play, at_s: (message.play.at_s ?? 0) + engine.frame / engine.rate });
      if (message.rest) engine.rest(message.rest);
      if (message.through) engine.through(message.through);
      if (message.gain_db !== undefined) engine.gain = 10 ** (message.gain_db / 20);
      if (message.silence) engine.silence();
      if (message.record !== undefined) this.record(message.record);
    } catch (failure) {
      this.port.postMessage({ refused: failure.message, id: message.begin?.id });
    }
  }

  /** From now on, or to here: sound goes out as {sound: {at, left, right}}, `at` in frames of the engine. */
  record(on) {
    if (on) this.kept = { at: this.engine.frame, blocks: [] };
    else {
      this.hand();
      this.kept = null;
      this.port.postMessage({ recorded: true });
    }
  }

  hand() {
    if (!this.kept?.blocks.length) return;
    const { at, blocks } = this.kept;
    const [left, right] = [0, 1].map((ear) => Float32Array.from(blocks.flatMap((each) => Array.from(each[ear]))));
    this.kept = { at: at + left.length, blocks: [] };
    this.port.postMessage({ sound: { at, left, right } }, [left.buffer, right.buffer]);
  }

  process(_, [[left, right]]) {
    const began = globalThis.performance?.now?.() ?? Date.now();
    const { engine } = this;
    if (left.length !== BLOCK) throw new RangeError(`a block of ${left.length} frames; ${BLOCK} are known here`);
    engine.process(this.left, this.right);
    engine.meter.take(this.left, this.right);
    this.taken = Math.max(this.taken, engine.limiter.guard(this.left, this.right, engine.gain));
    left.set(this.left);
    right.set(this.right);
    this.kept?.blocks.push([left.slice(), right.slice()]);
    for (let n = 0; n < BLOCK; n++) this.peak = Math.max(this.peak, Math.abs(left[n]), Math.abs(right[n]));
    for (const report of engine.reports.splice(0)) this.port.postMessage({ report });
    if (++this.blocks % TELL === 0) {
      this.tell();
      this.hand();
    }
    const took = (globalThis.performance?.now?.() ?? Date.now()) - began;
    this.busy += took;
    this.worst = Math.max(this.worst, took);
    return true;
  }

  tell() {
    const { engine } = this;
    this.port.postMessage({
      time: (engine.frame - BLOCK) / engine.rate, audio: currentTime, swings: engine.swings(), peak: this.peak,
      limited_db: this.taken, ...engine.meter.levels(),
      touching: engine.voices.map((each) => [each.id, each.touching()]),
      load: this.busy / ((TELL * BLOCK * 1000) / engine.rate), worst_ms: this.worst,
    });
    this.peak = 0;
    this.taken = 0;
    this.busy = 0;
    this.worst = 0;
  }
}

registerProcessor('tinewright', Playing);
