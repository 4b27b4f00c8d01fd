// The instrument as it sounds: banks, ears, strokes and palms, a render quantum at a time. No browser is needed.
'use strict';

const VOICES = 4; // strokes at once that memory is ready for
const MOST = 48; // strokes at once
const VOICE_BYTES = 3 << 20;
const FADE = 6; // blocks in which one ear gives way to another
const MARGIN = 4; // frames that an impulse spreads beyond its own: SPREAD on half frames
const EARLY = 1.5e-3; // m before the first touch, where a stroke is prepared
const PALM_PERIODS = 3; // as mute.py
const TOUCH_DB_PER_S = 700;
const SETTLES = 2e-3; // s
const WIDEST = 20e-3;
const GROWTH = 1.25;
const MM = 1e-3;
const DEGREE = Math.PI / 180;
const NEUTRAL_BRIGHTNESS = 64; // of MIDI's controller 74: the stick as it is
const USUAL = {
  direction: 'forward', grip: 'usual', speed_mm_s: 500, bite_mm: 2, lean: 0, height_mm: 0, tilt_deg: 45,
  skew_deg: 0, pressure_n: 0, brightness: NEUTRAL_BRIGHTNESS,
};

/** The step nearest to a brightness of 0 to 127: sticks are ready for some of them. */
function brightStep({ bright }, brightness) {
  const steps = [NEUTRAL_BRIGHTNESS, ...bright.steps];
  return steps.reduce((best, each) => (Math.abs(each - brightness) < Math.abs(best - brightness) ? each : best));
}

class Engine {
  /** `bytes` are the unpacked ones of the page, `module` a compiled WebAssembly.Module. */
  constructor({ head, bytes, module, functions }) {
    this.compiled = new Compiled(module, functions);
    this.content = new Content(head, bytes);
    const { compiled, content } = this;
    this.rate = head.rate;
    this.frame = 0;
    this.windows = new Windows(compiled);
    this.layTines();
    this.banks = head.banks.map((told) => new Bank(compiled, this.windows, content, told, this.tines));
    this.ears = head.radiators.map((told) => new Ear(compiled, this.windows, content, told, this.banks[told.bank]));
    this.ear = this.ears[0];
    this.leaving = null;
    this.sticks = new Map();
    this.arenas = Array.from({ length: VOICES }, () => new Arena(compiled.memory, this.reserve(), VOICE_BYTES));
    this.voices = [];
    this.waiting = []; // strokes and palms to come, by their seconds
    this.reports = [];
    this.resting = new Map(); // groups that a palm rests on
    this.meter = new Meter(this, content, head);
    this.limiter = new Limiter(compiled, head.rate);
    this.gain = 1;
    this.stick(Object.keys(head.sticks)[0], USUAL.grip);
  }

  reserve() {
    const { arena } = this.compiled;
    return arena.array('i4', VOICE_BYTES / 4).address;
  }

  layTines() {
    const { arena } = this.compiled;
    const told = this.content.head.tines;
    const { content } = this;
    this.tines = {};
    for (const [name, each] of Object.entries(told)) {
      if (!name.startsWith('tip_')) this.tines[`tines.${name}`] = content.put(arena, 'f8', each);
    }
    for (const name of ['shape', 'slope']) {
      const exact = content.numbers(told[`tip_${name}`]);
      const [R, K, N] = told[name].shape;
      const { at } = this.tines[`tines.${name}`];
      for (let r = 0; r < R; r++) at.set(exact.subarray(r * N, (r + 1) * N), r * K * N);
    }
    this.place = content.numbers(told.position);
    this.modes = told.omega.shape[1] / 2;
  }

  /** A stick in a grip, as bright as a step says, made ready once. */
  stick(name, grip, brightness = NEUTRAL_BRIGHTNESS) {
    const key = `${name} ${grip} ${brightness}`;
    if (!this.sticks.has(key)) {
      const { sticks, bright } = this.content.head;
      const told = brightness === NEUTRAL_BRIGHTNESS ? sticks[name][grip]
        : bright.sticks[name][grip][bright.steps.indexOf(brightness)];
      this.sticks.set(key, new Stick(this, told));
    }
    return this.sticks.get(key);
  }

  /** A stroke as a script writes it, in SI. Throws RangeError for what cannot be. */
  wish(entry) {
    const { groups, sticks } = this.content.head;
    const said = { ...USUAL, stick: Object.keys(sticks)[0], ...entry };
    const group = typeof said.group === 'number' ? said.group : groups.findIndex((each) => each.name === said.group);
    if (!groups[group]) throw new RangeError(`there is no group '${said.group}'`);
    if (!sticks[said.stick]?.[said.grip]) throw new RangeError(`there is no stick '${said.stick}' in a grip '${said.grip}'`);
    const wish = {
      id: said.id, group, direction: said.direction, stick: said.stick, grip: said.grip,
      brightness: brightStep(this.content.head, said.brightness),
      speed: said.speed_mm_s * MM, bite: said.bite_mm * MM, lean: said.lean, height: said.height_mm * MM,
      tilt: said.tilt_deg * DEGREE, skew: said.skew_deg * DEGREE, pressure: said.pressure_n, start: said.at_s,
    };
    for (const [name, value] of Object.entries(wish)) {
      if (typeof value === 'number' && !Number.isFinite(value)) throw new RangeError(`${name} is not a number`);
    }
    return wish;
  }

  /** Plays a stroke, a palm or a touch of a script at its `at_s`. */
  schedule(entry) {
    const held = entry.palm ?? entry.touch;
    if (held === undefined) this.waiting.push(this.wish(entry));
    else this.waiting.push(...this.moments(held, entry));
    this.waiting.sort((a, b) => a.start - b.start);
  }

  /** A stroke that begins now: at `at_mm` along the bar, if said, where the hand was at a second of `time`; else before. */
  begin(entry) {
    const wish = { ...this.wish({ ...entry, at_s: 0 }), live: true };
    const soon = (this.frame + LEAD + BLOCK + MARGIN) / this.rate;
    if (entry.at_mm !== undefined) {
      const there = (entry.at_mm * MM - this.first(wish)) * (wish.direction === 'backward' ? -1 : 1);
      wish.at = there + wish.speed * (soon - (entry.time ?? this.frame / this.rate));
    }
    wish.start = soon + EARLY / wish.speed;
    return this.launch(wish);
  }

  /** Where the first tine that a stroke meets stands, m. */
  first({ group, direction }) {
    const places = this.content.head.groups[group].tines.map((r) => this.place[r]);
    return direction === 'backward' ? Math.max(...places) : Math.min(...places);
  }

  /** The hand of a stroke is at `at_mm` along the bar, with a speed along its way, at a second of `time`. */
  move({ id, at_mm, speed_mm_s, time }) {
    const voice = this.voices.find((each) => each.id === id);
    if (!voice) return;
    const at = voice.sign * (at_mm * MM - voice.origin);
    voice.follow({ at, speed: speed_mm_s * MM, time: time ?? this.frame / this.rate });
  }

  end(id) {
    this.voices.filter((each) => each.id === id).forEach((each) => each.lift());
  }

  launch(wish) {
    const arena = this.roomForOne();
    if (!arena) {
      this.reports.push({ id: wish.id, group: wish.group, touches: [], crowded: true });
      return null;
    }
    const voice = new Voice(this, arena, wish);
    if (!voice.done) this.voices.push(voice);
    else this.reports.push({ id: wish.id, group: wish.group, touches: [], missed: true });
    return voice;
  }

  /** Memory for a stroke more: some is ready, for a crowd more is taken. */
  roomForOne() {
    const free = this.arenas.find((each) => !this.voices.some((voice) => voice.arena === each));
    if (free || this.arenas.length === MOST) return free;
    this.arenas.push(new Arena(this.compiled.memory, this.reserve(), VOICE_BYTES));
    return this.arenas.at(-1);
  }

  /** How the row of a voice rings as the stick comes. */
  meet(voice) {
    const { bank } = this.ear;
    const moment = this.frame / this.rate;
    this.compiled.call('meet', {
      ...voice.given, dof: bank.body['body.dof'], vectors: bank.body['body.vectors'],
      pole: bank.poles.pole, amplitude: bank.state, moment, turned: bank.poles.turned,
    });
  }

  /** The moments of a palm or a touch, as mute.moments. */
  moments(name, { at_s: start, hold_s: seconds = 0.3, touch }) {
    const group = this.groupOf(name);
    const times = [start];
    for (let step = SETTLES; times.at(-1) + step < start + seconds; step = Math.min(step * GROWTH, WIDEST)) {
      times.push(times.at(-1) + step);
    }
    times.push(start + seconds);
    return times.slice(1).map((time, n) => this.moment(group, times[n], time, touch !== undefined));
  }

  /** A palm is laid on a group, or taken off it. */
  rest({ palm, down }) {
    const group = this.groupOf(palm);
    const now = this.frame / this.rate;
    if (down) this.resting.set(group, { since: now, step: SETTLES });
    else this.resting.delete(group);
  }

  /** What resting palms take in this block. */
  rests(end) {
    const holds = [];
    for (const [group, palm] of this.resting) {
      const start = palm.since + palm.step;
      if (start * this.rate >= end - 1) continue;
      holds.push({ ...this.moment(group, palm.since, start, false), offset: this.offset(start) });
      palm.since = start;
      palm.step = Math.min(palm.step * GROWTH, WIDEST);
    }
    return holds;
  }

  moment(group, since, start, touch) {
    return { hold: true, start, since, group, touch };
  }

  /** In frames from this block's first. */
  offset(second) {
    return Math.max(0, Math.ceil(second * this.rate - 1e-9) - this.frame);
  }

  groupOf(name) {
    const group = this.content.head.groups.findIndex((each) => each.name === name);
    if (group < 0) throw new RangeError(`there is no group '${name}'`);
    return group;
  }

  /** Takes from all banks what a hold takes from its last moment to this one; the states are those of now. */
  mute({ group, start, since, touch }, offset) {
    const tines = this.content.head.groups[group].tines;
    const seconds = start - since;
    const perHz = touch ? 0 : (seconds * Math.LN10) / PALM_PERIODS;
    const flat = touch ? (seconds * TOUCH_DB_PER_S * Math.LN10) / 20 : 0;
    // the amplitudes of now, seen a moment earlier: what is taken then is carried on to now
    const late = (this.frame + offset) / this.rate - start;
    for (const bank of this.banks) {
      const taken = bank.quieten(bank.state, tines, perHz, flat, -late);
      this.compiled.call('turned_to', { pole: bank.poles.pole, amplitude: taken, time: late, turned: bank.poles.turned });
      add(bank.state.at, bank.poles.turned.at.subarray(0, bank.state.items));
    }
  }

  /** What is heard from now on. */
  through(name) {
    const ear = this.ears.find((each) => each.name === name);
    if (!ear) throw new RangeError(`nothing is heard through '${name}'`);
    if (ear === this.ear) return;
    this.leaving = { ear: this.ear, left: FADE };
    ear.clear();
    this.ear = ear;
  }

  silence() {
    this.voices = [];
    this.waiting = [];
    this.resting.clear();
    this.banks.forEach((each) => each.clear());
    this.ears.forEach((each) => each.clear());
  }

  /** The next BLOCK frames, left and right, at full scale 1. */
  process(left, right) {
    left.fill(0);
    right.fill(0);
    const holds = this.due();
    this.touches();
    this.ringing(holds);
    this.listen(left, right);
    for (const { voice, count } of this.pushing) {
      voice.airs(left, right, count);
      voice.turn(count);
      if (voice.done) this.reports.push(voice.report());
    }
    this.voices = this.voices.filter((each) => !each.done);
    this.frame += BLOCK;
    if (!this.pushing.length) this.prepareOne();
  }

  /** Launches strokes whose time has come; gives the holds of this block. */
  due() {
    const end = this.frame + BLOCK;
    const holds = this.rests(end);
    this.waiting = this.waiting.filter((each) => {
      if (each.hold) {
        const offset = this.offset(each.start);
        if (offset >= BLOCK) return true;
        holds.push({ ...each, offset });
        return false;
      }
      if ((each.start - EARLY / each.speed) * this.rate >= end + LEAD) return true;
      this.launch(each);
      return false;
    });
    return holds;
  }

  /** Contacts run as far as this block of force goes, and are heard by those who listen. */
  touches() {
    const origin = this.frame + LEAD;
    const ears = this.hearers();
    this.pushing = this.voices.map((voice) => {
      voice.contact(origin + BLOCK + MARGIN, origin);
      const count = voice.listen();
      if (count) {
        for (const ear of ears) this.hear(voice, ear);
      }
      return { voice, count };
    });
  }

  hearers() {
    return this.leaving ? [this.ear, this.leaving.ear] : [this.ear];
  }

  hear(voice, ear) {
    const slots = voice.slotsOf(ear.bank);
    const loud = voice.loud.at;
    voice.tines.forEach((_, i) => {
      if (loud[2 * i] || loud[2 * i + 1]) ear.prepare(Number(slots.at[2 * i]));
    });
    ear.hearing.hear(voice.grid, 0, 2 * voice.tines.length, voice.loud, slots);
  }

  /** All banks go on by a block; ears take what they ring. */
  ringing(holds) {
    for (const ear of this.hearers()) ear.signal.at.fill(0);
    const cuts = [...holds, { offset: LEAD, pending: true }].sort((a, b) => a.offset - b.offset);
    let at = 0;
    for (const cut of [...cuts, { offset: BLOCK }]) {
      if (cut.offset > at) this.ringOn(at, cut.offset - at);
      at = cut.offset;
      if (cut.pending) this.take();
      else if (cut.hold) this.mute(cut, at);
    }
    for (const bank of this.banks) this.leave(bank);
  }

  ringOn(first, count) {
    const ears = this.hearers();
    for (const bank of this.banks) {
      const mine = ears.filter((ear) => ear.bank === bank);
      if (!mine.length) bank.advance.set('count', count)();
      for (const ear of mine) {
        const last = ear === mine.at(-1);
        if (!last) bank.copy.at.set(bank.state.at);
        ear.hearing.ring(last ? bank.state : bank.copy, first, count, ear.signal);
      }
    }
  }

  /** The states that the last block of force left. */
  take() {
    for (const bank of this.banks) {
      add(bank.state.at, bank.pending.at);
      bank.pending.at.fill(0);
    }
  }

  /** The states that this one leaves. */
  leave(bank) {
    for (const { voice, count } of this.pushing) {
      if (!count) continue;
      this.compiled.call('leave', {
        grid: voice.grid, first: 0, count: 2 * voice.tines.length, loud: voice.loud, slots: voice.slotsOf(bank),
        turns: bank.poles.turns, drives: bank.drives, left: bank.poles.left, state: bank.pending,
      });
    }
  }

  listen(left, right) {
    for (const ear of this.hearers()) ear.hearing.lay(ear.signal.at);
    if (!this.leaving) {
      this.ear.onto(left, right, 1, 1);
      return;
    }
    const [from, to] = [this.leaving.left / FADE, (this.leaving.left - 1) / FADE];
    this.leaving.ear.onto(left, right, from, to);
    this.ear.onto(left, right, 1 - from, 1 - to);
    if (--this.leaving.left === 0) this.leaving = null;
  }

  /** In a silent moment one tine more is made ready: for strokes through what is heard now, then for palms. */
  prepareOne() {
    const { ear } = this;
    const tines = [...this.place.keys()];
    const next = tines.find((r) => !ear.ready.has(2 * r));
    if (next !== undefined) {
      ear.prepare(ear.bank.slot(next, 0));
      return;
    }
    for (const bank of this.banks) {
      const soft = tines.find((r) => !bank.soft.has(r));
      if (soft === undefined) continue;
      bank.soften(soft);
      return;
    }
  }

  /** How far each tine's first partial swings now in its two planes, modal: (R, 2). */
  swings() {
    this.ear.bank.swings();
    return Float32Array.from(this.ear.bank.swing.at);
  }
}

