// Versions under the maker's own names: kept, heard one after the other with the last gesture, put into the file.
'use strict';

const NOW = ''; // the present state among versions
const CEILING = 0.5; // -6 dBFS
const GAP = 0.25; // s between two of them
const TAB = Math.random().toString(36).slice(2); // whose last replay is heard blind
const replay = { stroke: null, told: null, context: null, playing: null, key: '', turn: Promise.resolve() };

/** The last gesture, in a script's words, as a stroke tells when it is over. */
function noteGesture(report) {
  const wish = wishes.get(report.id);
  const met = report.touches.filter((each) => each.touches > 0);
  if (wish && met.length) replay.stroke = asPlayed(report, wish, met);
}

const versionNames = () => [...bench.state.versions, NOW];
const level = () => document.querySelector('input[name="level"]:checked').value;
const called = (name) => name || 'As it is now';

/** The gesture on all versions, rendered by the server; the same is not rendered again. */
async function replayed() {
  if (!replay.stroke) throw new Error('Stroke a group first: the last stroke is what is replayed.');
  const body = { names: versionNames(), stroke: replay.stroke, through: $('through').value, page: TAB };
  const key = JSON.stringify([body, bench.state.server, bench.state.model, bench.state.versions]);
  if (replay.key === key) return replay.told;
  say('Rendering the last gesture on each version.');
  const told = await asked('replay', body);
  replay.context ??= newContext();
  for (const each of told.sounds) {
    const bytes = Uint8Array.from(atob(each.flac), (letter) => letter.charCodeAt(0));
    each.stroke = body.stroke; // the hand goes on playing
    each.buffer = await replay.context.decodeAudioData(bytes.buffer);
  }
  Object.assign(replay, { told, key });
  return told;
}

function stopReplay() {
  if (replay.playing) replay.playing.onended = null;
  replay.playing?.stop();
  replay.playing = null;
}

/** Of a sound raised to full scale: as loud as the page is, all by one factor, none above the page's limit. */
function gainOf(sound) {
  const loudest = Math.max(...replay.told.sounds.map((each) => each[level()]));
  return sound[level()] * Math.min(10 ** (Number($('gain').value) / 20), CEILING / loudest);
}

/** One of them, at the chosen level and as loud as the page is. */
function playSound(sound) {
  stopReplay();
  const { context } = replay;
  context.resume();
  const gain = new GainNode(context, { gain: gainOf(sound) });
  const source = new AudioBufferSourceNode(context, { buffer: sound.buffer });
  source.connect(gain).connect(context.destination);
  source.start();
  replay.playing = source;
  tellDifference(sound);
  return new Promise((ended) => { source.onended = () => setTimeout(ended, 1000 * GAP); });
}

function tellDifference({ name, changes, level_dba: dba, stroke = replay.stroke }) {
  const loud = dba === null ? '' : `, up to ${dba.toFixed(1)} dB(A)`;
  say(`${called(name === 'now' ? NOW : name)}: ${stroke.group}, ${level()} level${loud}.`);
  $('differs').hidden = !changes.length;
  $('differs').textContent = changes.join('\n').trim();
}

/** One after the other: what is asked for twice is rendered once. */
async function hear(act) {
  replay.turn = replay.turn.then(replayed, replayed);
  try {
    await act(await replay.turn);
  } catch (refused) {
    say(refused.message);
  }
}

const soundOf = (told, name) => {
  const found = told.sounds.find((each) => each.name === (name || 'now'));
  if (!found) throw new Error(told.left.find((each) => each.name === (name || 'now'))?.words ?? 'it cannot be heard');
  return found;
};

async function eachInTurn(told) {
  const run = Symbol('run');
  replay.run = run;
  for (const sound of told.sounds) {
    if (replay.run !== run) return;
    await playSound(sound);
  }
}

function versionRow(name) {
  const button = (words, act) => {
    const found = made('button', { type: 'button', textContent: words, ariaLabel: `${words}: ${called(name)}` });
    found.addEventListener('click', act);
    return found;
  };
  const hearIt = button('Hear', () => hear((told) => { replay.run = null; playSound(soundOf(told, name)); }));
  if (name === NOW) return made('div', { className: 'version' }, made('span', { className: 'name', textContent: called(name) }), hearIt);
  return made('div', { className: 'version' }, made('span', { className: 'name', textContent: name }), hearIt,
    button('Put into the file', () => changed('recall', { name })), button('Forget', () => changed('forget', { name })));
}

function showVersions() {
  const { versions, unsaved_versions: unsaved, versions_folder: folder } = bench.state;
  const key = JSON.stringify([versions, unsaved]);
  if (replay.shown === key) return;
  replay.shown = key;
  $('versions-head').textContent = versions.length ? `${versions.length} kept, ${unsaved} unsaved` : 'none kept';
  $('versions-list').replaceChildren(...versionNames().map(versionRow));
  $('save-versions').disabled = !unsaved;
  $('save-versions').textContent = `Save versions in ${folder}`;
}

$('keep').addEventListener('submit', async (event) => {
  event.preventDefault();
  const name = $('keep-name').value;
  const kept = await changed('keep', { name, model: HEAD.model }); // what is heard, not what is on its way
  if (kept && $('keep-name').value === name) $('keep-name').value = '';
});
$('save-versions').addEventListener('click', () => changed('save_versions'));
$('replay').addEventListener('click', () => hear(eachInTurn));
$('blind').addEventListener('click', () => hear(() => {
  if (!open(`listen/${TAB}`, '_blank')) say('This browser opens no page by itself so late: press Blind again.');
}));
bench.on.state.push(showVersions);
doors.played = noteGesture;
