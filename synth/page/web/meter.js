// How loud it is, and the guard of ears: as loudness.py and limiter.py.
'use strict';

const CEILING_DB = -6;
const ATTACK = 20000; // dB/s
const RELEASE = 40;
const FAST = 0.125; // s, IEC 61672-1 time weighting F
const REFERENCE = 20e-6; // Pa

/** Nothing leaves it above the ceiling. */
class Limiter {
  constructor(compiled, rate) {
    const { arena } = compiled;
    this.sound = arena.array('f8', 2, BLOCK);
    this.memory = arena.array('f8', 2);
    this.limited = compiled.bind('limited', {
      sound: this.sound, memory: this.memory, ceiling: 10 ** (CEILING_DB / 20), attack: ATTACK / rate,
      release: RELEASE / rate, gain: arena.array('f8', BLOCK),
    });
  }

  /** A block, raised by a gain, in place; gives the most that was taken from it, dB. */
  guard(left, right, gain) {
    const { at } = this.sound;
    for (let n = 0; n < BLOCK; n++) {
      at[n] = gain * left[n];
      at[BLOCK + n] = gain * right[n];
    }
    this.limited();
    left.set(at.subarray(0, BLOCK));
    right.set(at.subarray(BLOCK));
    const taken = this.memory.at[1];
    this.memory.at[1] = 0;
    return taken;
  }
}

/** Levels as they are: dB SPL and dB(A) at the listener, time weighting F, both ears averaged. */
class Meter {
  constructor(engine, content, head) {
    const { arena } = engine.compiled;
    const sections = content.put(arena, 'f8', head.a_weighting);
    this.full = head.full_scale_pa;
    this.keep = Math.exp(-BLOCK / (FAST * head.rate));
    this.weighted = arena.array('f8', 2, BLOCK);
    const memory = arena.array('f8', 2, sections.shape[0], 2);
    this.filter = engine.compiled.bind('filtered', { sections, memory, sound: this.weighted });
    this.plain = 0;
    this.a = 0;
  }

  /** Takes a block into account. */
  take(left, right) {
    const { at } = this.weighted;
    at.set(left);
    at.set(right, BLOCK);
    this.plain = this.keep * this.plain + (1 - this.keep) * this.mean();
    this.filter();
    this.a = this.keep * this.a + (1 - this.keep) * this.mean();
  }

  mean() {
    let sum = 0;
    for (const x of this.weighted.at) sum += x * x;
    return (sum / (2 * BLOCK)) * this.full * this.full;
  }

  levels() {
    const level = (square) => 10 * Math.log10(Math.max(square, 1e-30) / REFERENCE ** 2);
    return { spl_db: level(this.plain), a_db: level(this.a) };
  }
}
