// What is played, kept: a stroke script that plays it again, and the sound as it went out.
'use strict';

const WAV_HEAD = 58; // bytes before the samples
const wishes = new Map(); // strokes under way, as they were begun
const record = { on: false, from: null, to: 0, lines: [], sounds: [], palms: new Map() };

/** A stroke begins: told to the audio thread, and remembered. */
function begun(player, message) {
  wishes.set(message.id, message);
  player.tell({ begin: message });
}

/** A palm is laid on a group or taken off it. */
function palm(player, name, down) {
  player.tell({ rest: { palm: name, down } });
  const now = player.second(performance.now() / 1000);
  if (down) record.palms.set(name, now);
  else if (record.palms.has(name)) {
    const since = record.palms.get(name);
    record.palms.delete(name);
    noted({ at: since, palm: name, hold_s: now - since });
  }
  if (down) say(`A palm on ${name}.`);
}

function noted({ palms: names, ...line }) {
  if (!record.on) return;
  if (!names) record.lines.push(line);
  else {
    const at = window.tinewright.player.second(performance.now() / 1000);
    for (const name of names) record.lines.push({ at, palm: name, hold_s: 0.3 });
  }
}

/** A stroke is over: what it did says how it is written. */
function reported(report) {
  const wish = wishes.get(report.id);
  wishes.delete(report.id);
  const met = report.touches.filter((each) => each.touches > 0);
  if (!record.on || !wish || !met.length) return;
  const { stick, grip, bite_mm = 2, lean = 0, height_mm = 0, tilt_deg = 45, pressure_n = 0 } = wish;
  const { brightness = NEUTRAL } = wish;
  record.lines.push({
    at: met[0].first, group: HEAD.groups[report.group].name, direction: report.direction, stick, grip,
    speed_mm_s: Math.min(5000, Math.max(10, speedOf(met, wish))), bite_mm, lean, height_mm, tilt_deg, pressure_n,
    ...(brightness === NEUTRAL ? {} : { brightness: BigInt(brightness) }),
    partly: met.length < report.touches.length ? `${met.length} of ${report.touches.length} tines were met` : '',
  });
}

/** mm/s of the stick from its first tine to its last; what was wished where there is but one, or where it was keys. */
function speedOf(met, wish) {
  const [first, last] = [met[0], met.at(-1)];
  const way = Math.abs(HEAD.picture[last.tine].x - HEAD.picture[first.tine].x);
  if (wish.at_mm === undefined || first === last || last.first <= first.first) return wish.speed_mm_s;
  return (1000 * way) / (last.first - first.first);
}

function recordOn(player) {
  Object.assign(record, { on: true, from: null, lines: [], sounds: [] });
  player.tell({ record: true });
}

function recordOff(player) {
  player.tell({ record: false });
}

function kept({ at, left, right }) {
  if (!record.on) return;
  record.from ??= at / HEAD.rate;
  record.to = (at + left.length) / HEAD.rate;
  record.sounds.push({ left, right });
}

/** The script, as `tinewright play` reads it. */
function scriptText() {
  const lines = record.lines.map((each) => ({ ...each, at: Math.max(0, each.at - record.from) })).sort((a, b) => a.at - b.at);
  const tail = Math.max(0.001, record.to - record.from - (lines.at(-1)?.at ?? 0));
  const rows = lines.map(({ at, partly, ...line }) => {
    const pairs = Object.entries({ at_s: at, ...line }).map(([key, value]) => `${key} = ${toml(value)}`);
    return `  { ${pairs.join(', ')} },${partly ? ` # ${partly}; a script strokes the whole group` : ''}`;
  });
  return [
    `name = ${toml(`played on ${HEAD.name}`)}`, `tail_s = ${toml(tail)}`, '', 'stroke = [', ...rows, ']', '',
    '[defaults]', `through = ${toml($('through').value)}`, '',
  ].join('\n');
}

function toml(value) {
  if (typeof value === 'bigint') return String(value); // a whole number, not a length
  if (typeof value === 'number') return Number.isInteger(value) ? value.toFixed(1) : String(Number(value.toPrecision(9)));
  return JSON.stringify(value);
}

/** The sound as a WAV file of 32-bit floats, RIFF with a fact chunk as the format asks of them. */
function wavBytes() {
  const frames = record.sounds.reduce((sum, each) => sum + each.left.length, 0);
  const bytes = new ArrayBuffer(WAV_HEAD + 8 * frames);
  const view = new DataView(bytes);
  let at = 0;
  const word = (letters) => { for (const each of letters) view.setUint8(at++, each.charCodeAt(0)); };
  const long = (number) => { view.setUint32(at, number, true); at += 4; };
  const short = (number) => { view.setUint16(at, number, true); at += 2; };
  word('RIFF'); long(WAV_HEAD - 8 + 8 * frames); word('WAVE');
  word('fmt '); long(18); short(3); short(2); long(HEAD.rate); long(8 * HEAD.rate); short(8); short(32); short(0);
  word('fact'); long(4); long(frames);
  word('data'); long(8 * frames);
  for (const { left, right } of record.sounds) {
    for (let n = 0; n < left.length; n++, at += 8) {
      view.setFloat32(at, left[n], true);
      view.setFloat32(at + 4, right[n], true);
    }
  }
  return bytes;
}

function save(name, content, type) {
  const link = document.createElement('a');
  link.href = URL.createObjectURL(new Blob([content], { type }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}

function saveName(ending) {
  return `${HEAD.name.toLowerCase().replace(/[^a-z0-9]+/g, '-').replace(/^-|-$/g, '')}-played.${ending}`;
}
