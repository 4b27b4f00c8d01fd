// Everything put together: controls, what is told, the picture frame by frame.
'use strict';

const view = new View(HEAD);
const drawing = new Drawing($('instrument'), view);

function say(words) {
  $('said').textContent = words;
}

/** What the controls say of a stroke. */
function manner() {
  return {
    stick: $('stick').value, grip: $('grip').value, bite_mm: Number($('bite').value), tilt_deg: Number($('tilt').value),
  };
}

let loudest = -Infinity; // dB SPL since the last stroke was told of

function tellLevels(data) {
  drawing.swings = data.swings;
  drawing.light(data.touching.flatMap(([, tines]) => tines));
  loudest = Math.max(loudest, data.spl_db);
  $('peak').value = 20 * Math.log10(data.peak + 1e-6);
  $('levels').textContent = data.spl_db < 0 ? 'silent' : `${data.spl_db.toFixed(0)} dB SPL, ${data.a_db.toFixed(0)} dB(A) at ${HEAD.listener_m.toFixed(1)} m`;
  const over = data.limited_db > 0.1;
  $('limit').textContent = over ? `limiting by ${data.limited_db.toFixed(1)} dB` : 'not limiting';
  $('limit').classList.toggle('over', over);
}

/** What was played, and how loud, in the live region. */
function tellReport(report) {
  const met = report.touches.filter((each) => each.touches > 0).map((each) => each.tine);
  const { name } = HEAD.groups[report.group];
  strained(report);
  doors.played?.(report);
  reported(report);
  drawing.light(met);
  if (drawing.chosen !== null && met.includes(drawing.chosen)) showTine(drawing.chosen);
  if (report.crowded) say('Too many sticks at once.');
  else if (report.missed || !met.length) say(`The stick passed over ${name}.`);
  else {
    const loud = loudest > 0 ? `, up to ${loudest.toFixed(0)} dB SPL` : '';
    say(`${name}, ${report.direction}: ${met.length} of ${report.touches.length} tines${report.stuck ? ', stuck' : ''}${loud}.`);
  }
  loudest = -Infinity;
}

function heard(data) {
  if (data.swings) tellLevels(data);
  if (data.report) tellReport(data.report);
  if (data.sound) kept(data.sound);
  if (data.recorded) recordEnded();
  if (data.refused) say(`Not played: ${data.refused}`);
}

// --- recording ---

async function recordPressed() {
  const player = await soundOn();
  if (record.on) recordOff(player);
  else {
    recordOn(player);
    $('record').textContent = 'Stop recording';
    $('record').setAttribute('aria-pressed', 'true');
    say('Recording.');
  }
}

function recordEnded() {
  record.on = false;
  $('record').textContent = 'Record';
  $('record').setAttribute('aria-pressed', 'false');
  const any = record.sounds.length > 0;
  $('save-script').disabled = !any || !record.lines.length;
  $('save-sound').disabled = !any;
  say(any ? `Recorded ${(record.to - record.from).toFixed(1)} s, ${record.lines.length} strokes and palms.` : 'Nothing was recorded.');
}

// --- controls ---

function refill(select, names) {
  const { value } = select;
  select.replaceChildren(...names.map((name) => new Option(name, name)));
  if (names.includes(value)) select.value = value;
}

function shown(control, output, words) {
  const show = () => {
    output.textContent = words(Number(control.value));
    control.setAttribute('aria-valuetext', output.textContent);
  };
  control.addEventListener('input', show);
  show();
}

/** What can be chosen of this instrument; what was chosen stays where it is still there. */
function offers() {
  refill($('through'), HEAD.listening ?? HEAD.radiators.map((each) => each.name));
  refill($('stick'), Object.keys(HEAD.sticks));
  $('tine-number').max = HEAD.picture.length - 1;
}

/** Replaced where the page is served: there other things can be heard than it has with it. */
const doors = { through: (name) => window.tinewright.player?.tell({ through: name }) };

function controls() {
  offers();
  for (const words of HEAD.left_out) $('left-out').append(Object.assign(document.createElement('li'), { textContent: words }));
  const inches = HEAD.units === 'inch';
  shown($('bite'), $('bite-mm'), (x) => (inches ? `${(x / 25.4).toFixed(3)} in` : `${x.toFixed(1)} mm`));
  shown($('tilt'), $('tilt-deg'), (x) => `${x}°`);
  shown($('speed'), $('speed-mm'), (x) => (inches ? `${(x / 25.4).toFixed(1)} in/s` : `${x} mm/s`));
  shown($('gain'), $('gain-db'), (x) => `${x} dB`);
  const tell = (message) => window.tinewright.player?.tell(message);
  $('gain').addEventListener('input', () => tell({ gain_db: Number($('gain').value) }));
  $('through').addEventListener('change', () => doors.through($('through').value));
  for (const control of [$('stick'), $('grip')]) control.addEventListener('change', () => tell({ prepare: manner() }));
  $('sound').addEventListener('click', () => soundOn().catch(() => {}));
  $('midi').addEventListener('click', midiOn);
  $('record').addEventListener('click', recordPressed);
  $('save-script').addEventListener('click', () => save(saveName('toml'), scriptText(), 'application/toml'));
  $('save-sound').addEventListener('click', () => save(saveName('wav'), wavBytes(), 'audio/wav'));
  $('tine-number').addEventListener('input', () => showTine(Number($('tine-number').value)));
}

// --- which part of the bar is shown ---

function panned() {
  view.pan = Number($('pan').value) / 1000;
}

function closer(factor) {
  view.closer = Math.min(8, Math.max(0.25, view.closer * factor));
}

const LINGERS = 500; // ms after the last touch of anything in which each picture is drawn
const PAUSE = 200; // ms from one picture to the next while nothing moves: a phone's battery lasts longer
const pace = { stirred: 0, drawn: -PAUSE };

for (const kind of ['pointerdown', 'pointermove', 'keydown', 'wheel', 'input', 'change', 'resize', 'focus']) {
  addEventListener(kind, () => (pace.stirred = performance.now()), { capture: true, passive: true });
}

function frame(now) {
  lookAtHands();
  if (drawing.moving || now - pace.stirred < LINGERS || now - pace.drawn >= PAUSE) {
    drawing.draw(now);
    pace.drawn = now;
    $('along').hidden = view.hidden < 8;
  }
  requestAnimationFrame(frame);
}

/** What the browser lacks to play, in words; nothing where it has all. */
function lacks() {
  const needs = [['AudioWorkletNode', 'AudioWorklet'], ['DecompressionStream', 'DecompressionStream'], ['WebAssembly', 'WebAssembly']];
  return needs.filter(([name]) => !(name in globalThis)).map(([, words]) => words);
}

controls();
$('instrument').classList.toggle('plan', view.plan);
pointers($('instrument'), view);
$('pan').addEventListener('input', panned);
$('closer').addEventListener('click', () => closer(1.25));
$('farther').addEventListener('click', () => closer(0.8));
addEventListener('keydown', pressed);
addEventListener('keyup', released);
showTine(0);
drawing.chosen = null;
if (lacks().length) say(`This browser cannot play the instrument: it has no ${lacks().join(', no ')}.`);
content.catch((failure) => say(`This browser cannot open the instrument: ${failure.message}`));
requestAnimationFrame(frame);
