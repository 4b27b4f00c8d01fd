// The coupled modes of one structure, how forces drive them, and what hears them. Equations: response.py, sounding.py.
'use strict';

const BLOCK = 128; // frames of a render quantum; as many of force are made sound at once
const HALVES = 2 * BLOCK;
const REACH = 24; // frames before and after an impulse that the low-pass changes: bandlimit.py
const LEAD = 32; // frames that a block of force lies ahead of the block of sound: REACH, in whole WIDTHs
const WIDTH = 16; // frames to a state
const OFFSETS = 4 * REACH + 1;
const SPREAD = 14;
const OTHER = 64; // tines at other heights than their tips that are kept ready

/** What does not depend on the instrument: windows of bandlimit.py. */
class Windows {
  constructor(compiled) {
    const { arena } = compiled;
    const node = Float64Array.of(-0.9324695142031521, -0.6612093864662645, -0.2386191860831969, 0.2386191860831969, 0.6612093864662645, 0.9324695142031521);
    const weight = Float64Array.of(0.1713244923791704, 0.3607615730481386, 0.46791393457269104, 0.46791393457269104, 0.3607615730481386, 0.1713244923791704);
    this.past = arena.array('f8', 4 * REACH * node.length);
    this.share = arena.array('f8', OFFSETS, this.past.items);
    this.low = arena.array('f8', OFFSETS);
    this.weights = arena.array('f8', 2049, SPREAD);
    compiled.call('windows', {
      node: arena.put('f8', node), share_of_node: arena.put('f8', weight),
      weights: this.weights, past: this.past, share: this.share, low: this.low,
    });
    this.ring = arena.array('f8', 2, this.past.items);
  }
}

/** Poles and the tables of their turns; several banks may ring by one of them. */
class Poles {
  constructor(compiled, windows, rate, pole) {
    const { arena } = compiled;
    const modes = pole.shape[1];
    Object.assign(this, { pole, modes, rate });
    this.turns = arena.array('f4', HALVES + 1, 2, modes);
    this.step = arena.array('f8', WIDTH + 1, 2, modes);
    this.limited = arena.array('f4', OFFSETS, 2, modes);
    compiled.call('tables', {
      pole, rate, past: windows.past, share: windows.share, ring: windows.ring,
      turns: this.turns, step: this.step, limited: this.limited,
    });
    this.heard = arena.array('f4', 2, modes);
    this.left = arena.array('f4', 2, modes);
    this.turned = arena.array('f8', 4, modes);
  }
}

/** Ringing modes of the instrument. `drives` holds, slot by slot, what a push on a tine adds to them. */
class Bank {
  constructor(compiled, windows, content, told, tines) {
    const { arena } = compiled;
    this.compiled = compiled;
    this.tines = tines;
    this.poles = new Poles(compiled, windows, content.head.rate, content.put(arena, 'f8', told.pole));
    const kinds = { dof: 'i8', vectors: 'f4', base: 'f8', reach: 'f8', axis: 'f8', force: 'f8', partial: 'f8' };
    this.body = {};
    for (const [name, kind] of Object.entries(kinds)) this.body[`body.${name}`] = content.put(arena, kind, told[name]);
    const count = this.body['body.dof'].shape[0];
    const { modes } = this.poles;
    this.drives = arena.array('f4', 2 * (count + OTHER), 2, modes);
    this.state = arena.array('f8', 2, modes);
    this.pending = arena.array('f8', 2, modes);
    this.copy = arena.array('f8', 2, modes);
    this.momenta = arena.array('f4', ...this.body['body.vectors'].shape);
    this.swing = arena.array('f8', count, 2);
    this.known = new Map(); // tine and height -> slot
    this.free = Array.from({ length: OTHER }, (_, n) => 2 * (count + n));
    this.soft = new Set(); // tines whose momenta are known
    this.ears = [];
    const pole = this.poles.pole;
    this.driven = compiled.bind('driven', { ...tines, ...this.body, pole, drives: this.drives });
    this.gathered = compiled.bind('gathered', { ...this.body, pole, momenta: this.momenta });
    this.advance = compiled.bind('advance', { state: this.state, step: this.poles.step, count: 0 });
    this.swings = compiled.bind('swings', {
      dof: this.body['body.dof'], vectors: this.body['body.vectors'], amplitude: this.state, swing: this.swing,
    });
  }

  /** The slot of a tine touched so far below its tip; the next one is its push across the row. */
  slot(tine, depth) {
    const key = `${tine} ${depth}`;
    const found = this.known.get(key);
    if (found !== undefined) return found;
    const slot = depth === 0 ? 2 * tine : this.another();
    this.driven.set('r', tine).set('depth', depth).set('slot', slot)();
    this.known.set(key, slot);
    for (const ear of this.ears) ear.forget(slot);
    return slot;
  }

  another() {
    if (!this.free.length) {
      for (const [key, slot] of this.known) {
        if (slot < 2 * (this.drives.shape[0] / 2 - OTHER)) continue;
        this.known.delete(key); // the longest known
        this.free.push(slot);
        break;
      }
    }
    return this.free.pop();
  }

  /** What a palm (or a touch) of so many seconds takes of tines, added to the state as it is a time later. */
  quieten(state, tines, perHz, flat, time) {
    const { pole, turned } = this.poles;
    this.compiled.call('turned_to', { pole, amplitude: state, time, turned });
    this.copy.at.fill(0);
    for (const r of tines) {
      this.soften(r);
      this.compiled.call('quietened', {
        ...this.body, pole, r, per_hz: perHz, flat, turned, momenta: this.momenta, amplitude: this.copy,
      });
    }
    return this.copy;
  }

  /** Makes ready what a palm takes of a tine. */
  soften(r) {
    if (!this.soft.has(r)) this.gathered.set('r', r)();
    this.soft.add(r);
  }

  clear() {
    this.state.at.fill(0);
    this.pending.at.fill(0);
  }
}

/** What hears a bank: weights, the sound on top of the ring, and a circuit. */
class Ear {
  constructor(compiled, windows, content, told, bank) {
    const { arena } = compiled;
    const weights = content.put(arena, 'f8', told.weights);
    Object.assign(this, { compiled, windows, bank, told, name: told.name, weights });
    bank.ears.push(this);
    const points = weights.shape[0];
    const { poles } = bank;
    this.points = points;
    this.hearing = new Hearing(compiled, windows, poles, weights, bank.drives, told.immediate[0]);
    this.ready = new Set();
    this.signal = arena.array('f8', points, BLOCK);
    this.sections = told.sections ? content.put(arena, 'f8', told.sections) : null;
    this.memory = this.sections && arena.array('f8', 1, this.sections.shape[0], 2);
    this.single = arena.array('f8', 1, BLOCK);
    if (this.sections) {
      this.filter = compiled.bind('filtered', { sections: this.sections, memory: this.memory, sound: this.single });
    }
  }

  forget(slot) {
    this.ready.delete(slot);
  }

  /** Makes ready what is heard of a tine. */
  prepare(slot) {
    if (this.ready.has(slot)) return;
    this.hearing.answer(slot);
    this.hearing.answer(slot + 1);
    this.ready.add(slot);
  }

  clear() {
    this.hearing.over.at.fill(0);
    this.memory?.at.fill(0);
  }

  /** From contact signals to left and right, full scale 1, added with a gain that moves from one value to another. */
  onto(left, right, from, to) {
    const signal = this.signal.at;
    const slope = (to - from) / BLOCK;
    let other = BLOCK;
    let sound = signal;
    if (this.sections) {
      sound = this.single.at;
      this.sense(signal, sound);
      this.filter();
      other = 0;
    }
    for (let n = 0; n < BLOCK; n++) {
      const gain = from + slope * n;
      left[n] += gain * sound[n];
      right[n] += gain * sound[other + n];
    }
  }

  sense(signal, sound) {
    const { magnet } = this.told;
    if (!magnet) sound.set(signal.subarray(0, BLOCK));
    else {
      for (let n = 0; n < BLOCK; n++) {
        sound[n] = magnet.gain * signal[BLOCK + n] * Math.max(1 + signal[n] / magnet.gap, 0.1) ** -3;
      }
    }
  }
}

/** Force on slots of a bank, as weights hear it: the block, what lies around it, and the ring. */
class Hearing {
  constructor(compiled, windows, poles, weights, drives, immediate, arena = compiled.arena) {
    const points = weights.shape[0];
    const slots = drives.shape[0];
    Object.assign(this, { compiled, poles, points, weights });
    this.within = arena.array('f4', slots, points, 2, BLOCK + REACH);
    this.beyond = arena.array('f4', slots, points, 2, 2 * REACH + 1);
    this.beyond.at.fill(0);
    this.table = arena.array('f4', poles.modes, 2, points * WIDTH);
    this.total = arena.array('f4', BLOCK / WIDTH, points * WIDTH);
    this.part = arena.array('f8', points, BLOCK + 2 * REACH);
    this.over = arena.array('f8', points, 3 * BLOCK);
    this.answers = compiled.bind('answers', {
      pole: poles.pole, rate: poles.rate, weights, immediate: immediate ? 1 : 0, low_pass: windows.low,
      limited: poles.limited, turns: poles.turns, drives, slot: 0, heard: poles.heard,
      within: this.within, beyond: this.beyond,
    });
    this.weigh();
  }

  /** Takes its weights anew. */
  weigh() {
    this.compiled.call('weigh', { step: this.poles.step, weights: this.weights, table: this.table });
  }

  answer(slot) {
    this.answers.set('slot', slot)();
  }

  /** Inputs `first` to `first + count` of a grid of force, LEAD frames from now. */
  hear(grid, first, count, loud, slots) {
    this.part.at.fill(0);
    this.compiled.call('hear', {
      grid, first, count, size: HALVES, loud, slots, reach: REACH,
      within: this.within, beyond: this.beyond, out: this.part,
    });
    const [part, over] = [this.part.at, this.over.at];
    const width = BLOCK + 2 * REACH;
    for (let p = 0; p < this.points; p++) {
      for (let n = 0; n < width; n++) over[p * 3 * BLOCK + LEAD - REACH + n] += part[p * width + n];
    }
  }

  /** Adds frames of what rings to a signal, and moves the state there. */
  ring(state, first, count, out) {
    this.compiled.call('ring', {
      state, step: this.poles.step, table: this.table, first, count, total: this.total, out,
    });
  }

  /** Adds what lies on top of the ring, and goes on to the next block. */
  lay(signal) {
    const over = this.over.at;
    for (let p = 0; p < this.points; p++) {
      const row = over.subarray(p * 3 * BLOCK, (p + 1) * 3 * BLOCK);
      for (let n = 0; n < BLOCK; n++) signal[p * BLOCK + n] += row[n];
      row.copyWithin(0, BLOCK);
      row.fill(0, 2 * BLOCK);
    }
  }
}

/** Adds one state to another. */
function add(to, from) {
  for (let m = 0; m < to.length; m++) to[m] += from[m];
}
