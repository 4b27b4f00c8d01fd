// A stick in a grip: what the contact asks of it, and how it sounds in the air itself.
'use strict';

class Stick {
  constructor(engine, told) {
    const { compiled, content } = engine;
    const { arena } = compiled;
    const arrays = {};
    for (const [name, kind] of [['omega', 'f8'], ['decay_rate', 'f8'], ['kick', 'f8'], ['blocks', 'i8'], ['law', 'f8']]) {
      arrays[`stick.${name}`] = content.put(arena, kind, told[name]);
    }
    const one = content.numbers(told.line.pole);
    const modes = one.length / 2;
    const pole = arena.array('f8', 2, 2 * modes); // once for each direction across the stick
    for (let part = 0; part < 2; part++) {
      for (let d = 0; d < 2; d++) pole.at.set(one.subarray(part * modes, (part + 1) * modes), (2 * part + d) * modes);
    }
    const poles = new Poles(compiled, engine.windows, engine.rate, pole);
    const drives = arena.array('f4', 2, 2, 2 * modes); // an impulse adds 1 to the modes of its own direction
    drives.at.fill(1, 0, modes);
    drives.at.fill(1, 5 * modes, 6 * modes);
    const line = { poles, drives, modes, place: content.numbers(told.line.position) };
    for (const name of ['strength', 'thickness', 'residue']) line[name] = content.put(arena, 'f8', told.line[name]);
    line.pole = content.put(arena, 'f8', told.line.pole);
    Object.assign(this, { engine, arrays, line, law: Array.from(content.numbers(told.law)) });
  }

  /** How a stroke's stick is heard in the air, full scale 1: weights for `Hearing`. */
  weights(voice, across) {
    const { arena } = voice;
    const { engine, line } = this;
    const { air } = engine.content.head;
    const numbers = (name) => engine.content.numbers(air[name]);
    const form = voice.given['row.form'].at;
    const met = voice.tines.filter((_, i) => form[5 * i + 1] > 0).sort((a, b) => a - b);
    const frame = numbers('frame').subarray(9 * met[met.length >> 1]);
    const turned = (v) => [0, 1, 2].map((x) => v[0] * frame[x] + v[1] * frame[3 + x] + v[2] * frame[6 + x]);
    const tips = numbers('tip');
    const tip = [0, 1, 2].map((x) => met.reduce((sum, r) => sum + tips[3 * r + x], 0) / met.length);
    const along = turned(across[2]);
    const points = Array.from(line.place, (z) => tip.map((x, k) => x + z * along[k])).flat();
    const raw = arena.array('f8', 2, 2, 2, line.modes);
    engine.compiled.call('line_weights', {
      pole: line.pole, thickness: line.thickness, residue: line.residue, strength: line.strength,
      point: arena.put('f8', points, line.place.length, 3),
      directions: arena.put('f8', [...turned(across[0]), ...turned(across[1])], 2, 3),
      ears: arena.put('f8', numbers('ears'), 2, 3), sound_speed: air.sound_speed, nearest: air.nearest,
      weights: raw,
    });
    return this.byEar(arena, raw);
  }

  /** Weights (ears, 2, both directions' modes) from those by direction. */
  byEar(arena, raw) {
    const weights = arena.array('f8', 2, 2, 2 * this.line.modes);
    const L = this.line.modes;
    const full = this.engine.content.head.full_scale_pa;
    for (let d = 0; d < 2; d++) {
      for (let c = 0; c < 2; c++) {
        for (let part = 0; part < 2; part++) {
          const from = ((2 * d + c) * 2 + part) * L;
          const to = ((2 * c + part) * 2 + d) * L;
          for (let m = 0; m < L; m++) weights.at[to + m] = raw.at[from + m] / full;
        }
      }
    }
    return weights;
  }
}

/** The stick's three directions (down, sideways, to the hand) along the row, across it and up. */
function directions({ tilt, skew }, sign) {
    const [ct, st, cs, ss] = [Math.cos(tilt), Math.sin(tilt), Math.cos(skew), Math.sin(skew)];
    return [[sign * ct * cs, ct * ss, -st], [-sign * ss, cs, 0], [sign * st * cs, st * ss, ct]];
}
