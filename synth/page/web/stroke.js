// One stroke under way: the contact, resumed block after block, and the stick's own sound.
'use strict';

const STEP = 2e-6; // s: the step of run.EVENT
const QUIET = 4; // its quiet steps
const ROOM = 8192; // rows of force at a time
const BIT = 64; // steps that the contact may run past its goal
const COLUMNS = 8;
const TALLY = ['first', 'last', 'force', 'work', 'moment', 'bend', 'touches'];
const [PASSED, CROWDED, STUCK] = [0, 1, 2];
const SLOWEST = 0.005; // m/s, of a hand that has all but stopped
const FOLLOWS = 0.05; // s in which the stick makes up for what it is behind the hand

class Voice {
  constructor(engine, arena, wish) {
    const { compiled } = engine;
    Object.assign(this, { engine, compiled, arena, wish, id: wish.id, done: false, lost: 0, over: null });
    arena.clear();
    this.order(engine.content.head.groups[wish.group].tines);
    this.stick = engine.stick(wish.stick, wish.grip, wish.brightness);
    this.arrays();
    this.wishes = Float64Array.of(
      wish.speed, wish.bite, wish.lean, wish.height, wish.tilt, wish.skew, wish.pressure,
      this.sign, wish.start, STEP,
    );
    const given = this.given;
    given.wish = arena.put('f8', this.wishes);
    this.touched = compiled.call('lay', given);
    if (!this.touched) {
      this.done = true;
      return;
    }
    engine.meet(this);
    given.course = arena.array('f8', 3);
    compiled.call('set_off', given);
    this.course(...given.course.at);
    this.sounds();
  }

  /** The tines in the order of meeting. */
  order(tines) {
    const { place } = this.engine;
    this.sign = this.wish.direction === 'backward' ? -1 : 1;
    this.tines = [...tines].sort((a, b) => this.sign * (place[a] - place[b]) || a - b);
    this.origin = place[this.tines[0]];
  }

  arrays() {
    const { arena, engine, tines } = this;
    const T = tines.length;
    const n = engine.modes;
    const D = this.stick.arrays['stick.omega'].items;
    const f = (...shape) => arena.array('f8', ...shape);
    this.given = {
      ...engine.tines, ...this.stick.arrays,
      index: arena.put('i8', BigInt64Array.from(tines, BigInt)), lever: f(T),
      'row.turns': f(5, T, 4, 2 * n), 'row.omega': f(T, 2 * n), 'row.decay_rate': f(T, 2 * n),
      'row.shape': f(T, n), 'row.slope': f(T, n), 'row.root_moment': f(T, 2 * n), 'row.mobility': f(3, T, 3),
      'row.plane': f(T, 4), 'row.form': f(T, 5),
      'held.turns': f(5, 1, 4, D), 'held.omega': f(1, D), 'held.one': f(1, D), 'held.kick': f(2, D),
      'held.blocks': arena.array('i8', 2), 'held.axes': f(3, 3), 'held.mobility': f(3, 3, 3),
      'state.q': f(T, 2 * n), 'state.p': f(T, 2 * n), 'state.since': f(T),
      'state.stick_q': f(1, D), 'state.stick_p': f(1, D), 'state.flags': arena.array('i8', T, 3),
      'state.touch': f(T, 5), 'state.binned': f(T, COLUMNS - 2), 'state.tally': f(T, TALLY.length),
      'state.books': f(4), 'state.clock': arena.array('i8', 4),
      history: f(ROOM + T * (BIT + 2), COLUMNS),
    };
    this.grid = f(2 * T + 2, HALVES + 96);
    this.grid.at.fill(0);
    this.loud = arena.array('i8', 2 * T + 2);
    this.slots = new Map(); // of each bank
  }

  /** Binds the contact, which sets out from a place along its way at a second. */
  course(place, start, stop) {
    const { wish } = this;
    const { law } = this.stick;
    if (wish.at !== undefined) place = this.clear(Math.max(wish.at, place - 1), place);
    const given = this.given;
    const loss = (1.6 * (1 - law[2])) / law[2];
    const numbers = {
      stiffness: law[0], friction: law[1], loss, step: STEP, r_end: law[3],
      sin_tilt: Math.sin(wish.tilt), cos_tilt: Math.cos(wish.tilt),
      cos_skew: Math.cos(wish.skew), sin_skew: Math.sin(wish.skew),
      speed: wish.speed, position: place, start, stop: wish.live ? 1e9 : stop, bin_steps: 1, quiet: QUIET,
    };
    for (const [name, value] of Object.entries(numbers)) given[`course.${name}`] = value;
    given.steps = 0;
    this.run = this.compiled.bind('run', given);
    this.empty = this.compiled.bind('emptied', given);
    this.start = start;
    Object.assign(this, { place, from: place, speed: wish.speed, ran: 0 });
  }

  /** A place at or before `at` where the stick stands in no tine; anywhere before the first touch. */
  clear(at, first) {
    if (at <= first) return at;
    const form = this.given['row.form'].at;
    const end = this.stick.law[3];
    for (let i = 0; i < this.tines.length; i++) {
      const [place, height, core, edge] = form.subarray(5 * i, 5 * i + 4);
      const half = core + edge;
      if (height > 0 && at > place - half - 2 * end && at < place + half + end) at = place - half - 2.5 * end - height;
    }
    return at;
  }

  /** What is needed to hear it: where forces go, and the stick in the air. */
  sounds() {
    const { arena, compiled, engine, stick, tines } = this;
    const axis = engine.tines['tines.axis'].at;
    const line = stick.line;
    const across = directions(this.wish, this.sign);
    this.spread = compiled.bind('spread', {
      history: this.given.history, used: 0, axis: arena.put('f8', Float64Array.from(tines, (r) => axis[r])),
      lever: this.given.lever, line: arena.put('f8', across.flat().slice(0, 6), 2, 3),
      start: this.start, step: STEP, rate: engine.rate, origin: 0,
      weights: engine.windows.weights, grid: this.grid,
    });
    const weights = stick.weights(this, across);
    const hearing = new Hearing(compiled, engine.windows, line.poles, weights, line.drives, true, arena);
    hearing.over.at.fill(0);
    hearing.answer(0);
    hearing.answer(1);
    this.air = {
      hearing, state: arena.array('f8', 2, line.poles.modes), pending: arena.array('f8', 2, line.poles.modes),
      signal: arena.array('f8', 2, BLOCK), slots: arena.array('i8', this.loud.items), quiet: 0,
    };
    this.air.state.at.fill(0);
    this.air.pending.at.fill(0);
    const own = this.air.slots.at;
    own[own.length - 2] = 0n;
    own[own.length - 1] = 1n;
  }

  /** Where the stick's end is along its way, and at which second of the contact. */
  now() {
    const time = this.start + Number(this.given['state.clock'].at[0]) * STEP;
    return { time, place: this.place + this.speed * (time - this.start) };
  }

  /** The hand is at a place (along the way, m) with a speed (m/s) at a second: the stick follows. */
  follow(hand) {
    if (!this.run || this.done) return;
    const { time, place } = this.now();
    const goal = hand.at + hand.speed * (time - hand.time);
    this.speed = Math.min(3, Math.max(SLOWEST, hand.speed + (goal - place) / FOLLOWS));
    this.place = place - this.speed * (time - this.start);
    this.run.set('course.speed', this.speed).set('course.position', this.place);
  }

  /** The stick is lifted off. */
  lift() {
    this.ended = true;
  }

  /** Runs the contact up to a frame, and lays its force on the grid that begins at another one. */
  contact(until, origin) {
    if (this.ended) return;
    const goal = Math.ceil((until / this.engine.rate - this.start) / STEP);
    const clock = this.given['state.clock'];
    for (let more = goal - Number(clock.at[0]); more > 0; more = goal - Number(clock.at[0])) {
      const status = this.run.set('steps', more)();
      this.empty();
      const used = Number(clock.at[1]);
      if (used) {
        this.lost += this.spread.set('used', used).set('origin', 2 * origin)();
        clock.at[1] = 0n;
      }
      if (status === CROWDED) continue;
      if (status === PASSED || status === STUCK) {
        this.ended = true;
        this.stuck = status === STUCK;
      }
      break;
    }
    this.ran++;
  }

  /** Which of its inputs push in this block; how many. */
  listen() {
    return this.compiled.call('touched', { grid: this.grid, size: HALVES, loud: this.loud });
  }

  /** Slots (Q,) of a bank for its inputs that push. */
  slotsOf(bank) {
    if (!this.slots.has(bank)) this.slots.set(bank, this.arena.array('i8', this.loud.items));
    const slots = this.slots.get(bank);
    const [loud, at] = [this.loud.at, slots.at];
    this.tines.forEach((tine, i) => {
      if (!loud[2 * i] && !loud[2 * i + 1]) return;
      const slot = bank.slot(tine, this.wish.height);
      at[2 * i] = BigInt(slot);
      at[2 * i + 1] = BigInt(slot + 1);
    });
    return slots;
  }

  /** The pressure of the stick itself, added to left and right. */
  airs(left, right, count) {
    const { air, compiled, grid, loud } = this;
    const { line } = this.stick;
    const first = 2 * this.tines.length;
    air.signal.at.fill(0);
    air.hearing.ring(air.state, 0, LEAD, air.signal);
    add(air.state.at, air.pending.at);
    air.pending.at.fill(0);
    air.hearing.ring(air.state, LEAD, BLOCK - LEAD, air.signal);
    if (count) {
      air.hearing.hear(grid, first, 2, loud, air.slots);
      compiled.call('leave', {
        grid, first, count: 2, loud, slots: air.slots, turns: line.poles.turns, drives: line.drives,
        left: line.poles.left, state: air.pending,
      });
    }
    const signal = air.signal.at;
    air.hearing.lay(signal);
    let peak = 0;
    for (let n = 0; n < BLOCK; n++) {
      left[n] += signal[n];
      right[n] += signal[BLOCK + n];
      peak = Math.max(peak, Math.abs(signal[n]));
    }
    air.quiet = count || peak > 1e-9 ? 0 : air.quiet + 1;
  }

  /** Goes on to the next block; over when nothing pushes any more and the stick is silent. */
  turn(count) {
    this.compiled.call('shift', { grid: this.grid, size: HALVES });
    if (this.ended && !count && this.air.quiet > 8) this.done = true;
  }

  /** Tines that the stick touches now. */
  touching() {
    const flags = this.given['state.flags'].at;
    return this.tines.filter((_, i) => flags[3 * i + 1] === 1n);
  }

  /** What became of each tine, in the order of meeting. SI. */
  report() {
    const tally = this.given['state.tally'].at;
    const touches = this.tines.map((tine, i) => {
      const row = TALLY.map((name, k) => [name, tally[TALLY.length * i + k]]);
      return { tine, ...Object.fromEntries(row) };
    });
    const { group, direction, stick, speed } = this.wish;
    return { id: this.id, group, direction, stick, speed, stuck: !!this.stuck, lost: this.lost, touches };
  }
}
