// The tuner's page: shows what the tuner tells, and presses its one key. The addresses are beside the page's own.
'use strict';

const $ = (id) => document.getElementById(id);
const SIGN = { up: '▲', down: '▼', right: '=', none: '' };

/** A figure with its sign, the minus as wide as the plus. */
const signed = (value, digits) => (Number(value.toFixed(digits)) < 0 ? '−' : '+') + Math.abs(value).toFixed(digits);

function show({ name, tap, next, offer, said }) {
  $('instrument').textContent = name;
  if (next) showNext(next);
  if (tap) showTap(tap);
  if (offer && !tap?.reason && !tap?.advice?.length) $('reason').textContent = offer.words;
  if (said) $('reason').textContent = said.words;
}

function showNext({ name, target_hz: target, done, of }) {
  $('next').textContent = name === null ? 'All are in tune' : `Next ${name}, ${target.toFixed(1)} Hz`;
  $('count').textContent = `${done} of ${of}`;
  $('done').max = Math.max(1, of);
  $('done').value = done;
}

function showTap(tap) {
  const known = tap.cents !== null;
  const title = tap.name ?? (tap.may_be.length ? tap.may_be.slice(0, 3).join(' or ') : '?');
  $('tine').textContent = title;
  $('tine').style.setProperty('--long', Math.max(5, title.length));
  $('cents').textContent = known ? signed(tap.cents, Math.abs(tap.cents) < 99.95 ? 1 : 0) : '–';
  $('sure').textContent = known ? `cents, ± ${tap.cents_sd.toFixed(1)}` : '';
  $('arrow').textContent = SIGN[way(tap, known)];
  $('turns').textContent = known ? what(tap) : '';
  $('reason').textContent = [tap.reason, ...(tap.advice ?? [])].filter(Boolean).join('\n');
  $('words').textContent = tap.words;
  $('announced').disabled = tap.name !== null || !tap.may_be.length;
  document.body.classList.toggle('right', tap.in_tune === true);
  document.body.classList.toggle('off', tap.in_tune === false);
}

function way(tap, known) {
  if (!known) return 'none';
  return tap.in_tune ? 'right' : tap.shorten_mm > 0 ? 'up' : 'down';
}

/** What is to be done, in two short lines. */
function what(tap) {
  if (tap.in_tune) return 'in tune';
  const shorter = tap.shorten_mm > 0;
  if (tap.turns !== null) return `${Math.abs(tap.turns).toFixed(2)}\nturns ${shorter ? 'up' : 'down'}`;
  const length = Math.abs(tap.shorten_mm);
  const distance = tap.units === 'inch' ? `${(length / 25.4).toFixed(3)} in\n` : `${length.toFixed(2)} mm\n`;
  return distance + (tap.fixing === 'glued' ? (shorter ? 'off its tip' : 'too short') : shorter ? 'shorter' : 'longer');
}

function linked(yes) {
  $('link').textContent = yes ? 'listening' : 'the tuner is gone';
  document.body.classList.toggle('stale', !yes);
}

let events = null;
let later = 0; // when it is looked for again

function listen() {
  clearTimeout(later);
  events?.close();
  events = new EventSource('tuning');
  events.onopen = () => linked(true);
  events.onerror = () => {
    linked(false);
    if (events.readyState === EventSource.CLOSED) later = setTimeout(listen, 1000);
  };
  events.addEventListener('tuning', ({ data }) => show(JSON.parse(data)));
  events.addEventListener('end', () => linked(false));
}

function silence() {
  clearTimeout(later);
  events.close();
}

$('announced').addEventListener('click', async () => {
  const answer = await fetch('press', { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: '{"key": "y"}' }).catch(() => null);
  if (!answer?.ok) $('reason').textContent = 'The tuner did not hear that.';
});

if (document.body.classList.contains('listens')) {
  listen();
  addEventListener('pagehide', silence);
  addEventListener('pageshow', ({ persisted }) => { if (persisted) listen(); }); // the browser had kept it
} else $('reason').textContent = 'Nobody listens. Begin with: tinewright open DESIGN --listen';
