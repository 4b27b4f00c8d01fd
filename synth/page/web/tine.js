// What a tine is: pitch, length, partials, quarrels, and how the last stroke strained it.
'use strict';

const strains = new Map(); // tine: N m, greatest at its root in the last stroke

/** Pa at the core of a root, 32 M/(pi d^3): a round rod bent by a moment. */
function rootStress(moment, diameter) {
  return (32 * moment) / (Math.PI * diameter ** 3);
}

function strained({ touches }) {
  for (const each of touches) if (each.touches > 0) strains.set(each.tine, each.moment);
}

/** In words what the last stroke did to a tine's root. */
function strainWords(r) {
  const { root } = HEAD.about[r];
  const moment = strains.get(r);
  if (moment === undefined) return 'not stroked yet';
  const stress = rootStress(moment, root.diameter_mm / 1000) / 1e6;
  const share = (100 * stress) / root.endurance_mpa;
  const bent = stress > root.yield_mpa ? ' It would bend for good.' : '';
  return `${stress.toFixed(0)} MPa at the root, ${share.toFixed(0)} % of what it bears for a million strokes `
    + `(${root.endurance_mpa.toFixed(0)} MPa, notch and safety counted), yield ${root.yield_mpa.toFixed(0)} MPa.${bent}`;
}

function tineRows(r) {
  const { group, number, length, diameter, nuts, hz } = HEAD.picture[r];
  const about = HEAD.about[r];
  const partials = about.partials.map(({ plane, hz: f, ring_s }) => `${f.toFixed(1)} Hz ${plane}, ${ring_s.toFixed(1)} s`);
  return [
    ['Tine', `${HEAD.groups[group].name} ${number}: ${about.stock}`],
    ['Pitch', `${hz.toFixed(2)} Hz, ${about.note} ${about.cents > -0.5 ? '+' : '−'}${Math.abs(about.cents).toFixed(0)} cents`],
    ['Free length', `${(1000 * length).toFixed(1)} mm, ${(1000 * diameter).toFixed(2)} mm thick`],
    ['Nuts', nuts.length ? nuts.map((each) => `at ${(1000 * each.at).toFixed(1)} mm`).join(', ') : 'none above the base'],
    ['Partials, ring to −60 dB, on a bar that keeps still', partials.join('; ')],
    ['Quarrels', about.quarrels.length ? about.quarrels.join('; ') : 'none'],
    ['Last stroke', strainWords(r)],
  ];
}

function showTine(r) {
  drawing.chosen = r;
  $('tine-number').value = r;
  const { group, number } = HEAD.picture[r];
  const name = `${HEAD.groups[group].name} ${number}`;
  $('tine-number').setAttribute('aria-valuetext', name);
  $('tine-name').textContent = name;
  $('tine').replaceChildren(...tineRows(r).flatMap(([what, words]) => [
    Object.assign(document.createElement('dt'), { textContent: what }),
    Object.assign(document.createElement('dd'), { textContent: words }),
  ]));
}

/** A tap that was no stroke asks what a tine is. */
function tapped(hand) {
  const found = view.pick(hand.trail.at(-1).point, { reach: 0.015 });
  if (!found) return;
  const tines = view.groups[found.group];
  showTine(tines.reduce((best, r) => (Math.abs(view.places[r] - found.at) < Math.abs(view.places[best] - found.at) ? r : best), tines[0]));
  $('tine-details').open = true;
}
