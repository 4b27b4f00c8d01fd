// A stroke script, rendered as a whole.
'use strict';

/** A script as `tinewright play` renders it, in steps; the last one gives {left, right}, Float32Array, full scale 1. */
function* renderScript(content, { stroke = [], through, seconds, tempo_bpm = 60, defaults = {} }) {
  const engine = new Engine(content);
  if (through !== undefined) engine.through(through);
  engine.leaving = null;
  const events = stroke.map((entry) => scripted(entry, defaults, tempo_bpm, through));
  const first = Math.min(0, ...events.map((each) => each.at_s - (4 * EARLY) / ((each.speed_mm_s ?? 500) * MM)));
  engine.frame = -BLOCK * Math.ceil((-first * engine.rate + LEAD + 2 * BLOCK) / BLOCK);
  events.forEach((each) => engine.schedule(each));
  const last = Math.max(0, ...events.map((each) => each.at_s + (each.hold_s ?? 0)));
  const frames = Math.round((seconds ?? last + 4) * engine.rate);
  const [left, right] = [new Float32Array(frames), new Float32Array(frames)];
  const [l, r] = [new Float64Array(BLOCK), new Float64Array(BLOCK)];
  while (engine.frame < frames) {
    const at = engine.frame;
    engine.process(l, r);
    yield at / frames;
    if (at < 0) continue;
    left.set(l.subarray(0, frames - at), at);
    right.set(r.subarray(0, frames - at), at);
  }
  return { left, right, reports: engine.reports };
}

const SCRIPT_KEYS = [
  'at_s', 'at_beat', 'group', 'palm', 'touch', 'hold_s', 'through', 'direction', 'stick', 'speed_mm_s', 'bite_mm',
  'lean', 'height_mm', 'tilt_deg', 'skew_deg', 'pressure_n', 'grip', 'brightness', 'id',
];

/** One line of a script with its defaults and its second. */
function scripted(entry, defaults, bpm, through) {
  const wrong = Object.keys(entry).find((key) => !SCRIPT_KEYS.includes(key));
  if (wrong) throw new RangeError(`'${wrong}' is not known here; have ${SCRIPT_KEYS.join(', ')}`);
  if (entry.through !== undefined && entry.through !== through) {
    throw new RangeError('one render is heard through one thing: say it once, beside stroke');
  }
  if ((entry.at_s === undefined) === (entry.at_beat === undefined)) throw new RangeError('give at_s or at_beat');
  return { ...defaults, ...entry, at_s: entry.at_s ?? (entry.at_beat * 60) / bpm };
}
