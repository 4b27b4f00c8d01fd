// Keys and MIDI: what `tinewright live` means by them, a palm for as long as its key is down.
'use strict';

const STROKES = "asdfghjkl;'";
const PALMS = 'zxcvbnm,./';
const SHORTEST_PALM = 300; // ms
const NEUTRAL = 64; // where a pedal counts as down
const ALL = Symbol('all');

/** What has been chosen so far: which groups lie under the keys, which palms rest. */
const row = { first: 0, resting: new Map(), forward: new Map() };

const BASE = { Semicolon: ';', Quote: "'", Comma: ',', Period: '.', Slash: '/', Minus: '-', Equal: '=' };

/** The key as it stands on a US keyboard, whatever Shift makes of it. */
function keyOf(event) {
  return BASE[event.code] ?? (/^(Key[A-Z]|Digit\d)$/.test(event.code) ? event.code.at(-1).toLowerCase() : event.key.toLowerCase());
}

function pressed(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches('select, input, textarea')) return;
  const key = keyOf(event);
  const group = row.first + STROKES.indexOf(key);
  const muted = row.first + PALMS.indexOf(key);
  if (event.repeat && key !== ' ') return;
  if (STROKES.includes(key) && group < HEAD.groups.length) strokeGroup(group, event.shiftKey ? 'backward' : 'forward');
  else if (PALMS.includes(key) && muted < HEAD.groups.length) restKey(key, [muted]);
  else if (key >= '1' && key <= '9' && key.length === 1) setControl('speed', HEAD.midi.digits[Number(key) - 1]);
  else if (key === 't') nextStick(1);
  else if (key === '=' || key === '-') moveOn(key === '=' ? STROKES.length : -STROKES.length);
  else if (key === ' ' && !event.target.matches('button, summary')) {
    event.preventDefault();
    if (!event.repeat) restKey(key, [...HEAD.groups.keys()]);
  }
}

function released(event) {
  const key = keyOf(event);
  const rest = row.resting.get(key);
  if (!rest) return;
  row.resting.delete(key);
  setTimeout(() => rest.groups.forEach((each) => palm(window.tinewright.player, HEAD.groups[each].name, false)),
    Math.max(0, rest.since + SHORTEST_PALM - performance.now()));
}

function restKey(key, groups) {
  const { player } = window.tinewright;
  if (!player || row.resting.has(key)) return;
  row.resting.set(key, { groups, since: performance.now() });
  for (const each of groups) palm(player, HEAD.groups[each].name, true);
}

function moveOn(step) {
  row.first = Math.min(Math.max(0, row.first + step), Math.max(0, HEAD.groups.length - STROKES.length));
  say(`Keys from A on stroke ${HEAD.groups[row.first].name} and what follows.`);
}

function nextStick(step) {
  const select = $('stick');
  select.selectedIndex = (select.selectedIndex + step) % select.options.length;
  select.dispatchEvent(new Event('change'));
  say(`Stick: ${select.value}.`);
}

/** Speed of keys and the like, as if its slider had been drawn. */
function setControl(name, value) {
  const control = $(name);
  control.value = value;
  control.dispatchEvent(new Event('input'));
}

/** A stroke over a whole group at the speed of keys. */
async function strokeGroup(group, direction, more = {}) {
  const player = await soundOn();
  begun(player, { id: `key${strokes++}`, group, direction, speed_mm_s: Number($('speed').value), ...manner(), ...more });
}

// --- MIDI: the meanings of README's table ---

const channels = new Map();

function channelOf(number) {
  if (!channels.has(number)) {
    channels.set(number, {
      numbers: new Map(), damper: false, sostenuto: false, grip: NEUTRAL, stick: 0, brightness: NEUTRAL,
      down: new Set(), waiting: new Set(), held: new Set(),
    });
  }
  return channels.get(number);
}

/** One MIDI message of 1 to 3 bytes. */
function heardMidi([status, one = 0, two = 0]) {
  const channel = channelOf(status & 15);
  const kind = status >> 4;
  if (kind === 9 && two > 0) noteOn(channel, one, two);
  else if (kind === 9 || kind === 8) noteOff(channel, HEAD.midi.notes[one]);
  else if (kind === 11) control(channel, one, two);
  else if (kind === 12) channel.stick = one % Object.keys(HEAD.sticks).length;
  else if (kind === 13) channel.numbers.set('aftertouch', one);
}

function noteOn(channel, note, velocity) {
  const group = HEAD.midi.notes[note];
  if (group === undefined) {
    say(`No group has the MIDI note ${note}.`);
    return;
  }
  channel.down.add(group);
  channel.waiting.delete(group);
  const forward = row.forward.get(group) ?? true;
  row.forward.set(group, !forward);
  const set = Object.fromEntries(HEAD.midi.controls.map(({ key, message, rest, values }) => [key, values[channel.numbers.get(message) ?? rest]]));
  strokeGroup(group, forward ? 'forward' : 'backward', {
    speed_mm_s: HEAD.midi.speeds[velocity], stick: Object.keys(HEAD.sticks)[channel.stick],
    grip: HEAD.midi.grips[channel.grip], brightness: channel.brightness, tilt_deg: 45, ...set,
  });
}

function noteOff(channel, group) {
  if (group !== undefined) letGo(channel, new Set([group]));
}

function letGo(channel, groups) {
  for (const each of groups) {
    channel.down.delete(each);
    if (channel.damper || channel.held.has(each)) channel.waiting.add(each);
    else palms([each]);
  }
}

function control(channel, number, value) {
  const down = value >= NEUTRAL;
  if (number === 16) channel.grip = value;
  else if (number === 64) channel.damper = down;
  else if (number === 66) {
    if (down && !channel.sostenuto) channel.held = new Set(channel.down);
    else if (!down) channel.held = new Set();
    channel.sostenuto = down;
  } else if (number === 120) {
    channel.waiting.clear();
    window.tinewright.player?.tell({ silence: true });
    noted({ palms: HEAD.groups.map((each) => each.name) });
  } else if (number === 121) {
    channel.numbers.clear();
    Object.assign(channel, { damper: false, sostenuto: false, held: new Set(), grip: NEUTRAL });
  } else if (number >= 123) letGo(channel, new Set(channel.down));
  else if (number === 74) channel.brightness = brightStep(HEAD, value);
  else channel.numbers.set(number, value);
  if ([64, 66, 121].includes(number)) letWaitingGo(channel);
}

function letWaitingGo(channel) {
  if (channel.damper) return;
  const stopped = [...channel.waiting].filter((each) => !channel.held.has(each));
  stopped.forEach((each) => channel.waiting.delete(each));
  palms(stopped);
}

function palms(groups) {
  const { player } = window.tinewright;
  if (!player) return;
  for (const each of groups) {
    const { name } = HEAD.groups[each];
    palm(player, name, true);
    setTimeout(() => palm(player, name, false), SHORTEST_PALM);
  }
}

async function midiOn() {
  if (!navigator.requestMIDIAccess) {
    say('This browser knows no MIDI; Chromium and Firefox do.');
    return;
  }
  try {
    await soundOn();
    const access = await navigator.requestMIDIAccess();
    const listen = () => {
      for (const input of access.inputs.values()) input.onmidimessage = ({ data }) => heardMidi(data);
      const names = [...access.inputs.values()].map((each) => each.name);
      say(names.length ? `MIDI from ${names.join(', ')}.` : 'No MIDI keyboard is connected.');
    };
    access.onstatechange = listen;
    listen();
  } catch (failure) {
    say(`No MIDI: ${failure.message}`);
  }
}
