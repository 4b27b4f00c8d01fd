// The stick in a hand: every pointer is a stick; where it is going decides which group is stroked, and when it begins.
'use strict';

const TRAIL = 0.08; // s over which a hand's speed is read
const SOON = 0.06; // s before the first tine that a stroke is begun, if the hand is seen coming
const NEAR = 0.012; // m, the same for a slow hand
const READY = 0.014; // s that a stroke needs between the message and its first tine
const LATEST = 0.09; // s that a stroke may lag behind its hand, if that is what it takes not to lose a tine
const MOVES = 0.02; // m/s, the slowest that is a stroke
const TURNS = 0.02; // m/s backward that make a reversal
const TURN = 0.0015; // m that a hand has come back, to have turned
const STANDS = 80; // ms without news after which a hand is taken to stand still
const RESTS = 250; // ms after which a finger that has not moved lies on the tines as a palm does
const STILL = 8; // css px within which a finger has not moved
const TIPS = 0.012; // m below the tips that still are the tips
const HEIGHT_STEP = 0.005; // m; heights are kept in few steps
const LEANS = 0.04; // m that a path falls along a group to lean all of its bite to one end
const BITES = [0.5, 5]; // mm, of a pen's pressure from nothing to all

let strokes = 0;

/** One pointer on the canvas. */
class Hand {
  constructor(view, event) {
    Object.assign(this, {
      view, id: event.pointerId, kind: event.pointerType, pressure: event.pressure,
      trail: [], stroke: null, palm: null, from: [event.clientX, event.clientY], moved: false, since: performance.now(),
    });
  }

  /** Takes an event's places with their own time stamps. */
  take(event, box) {
    const events = event.getCoalescedEvents?.() ?? [];
    for (const each of events.length ? events : [event]) {
      const time = each.timeStamp / 1000;
      const point = this.view.point([each.clientX - box.left, each.clientY - box.top]);
      if (this.trail.length && time <= this.trail.at(-1).time) this.trail.pop();
      this.trail.push({ time, point });
    }
    if (Math.hypot(event.clientX - this.from[0], event.clientY - this.from[1]) > STILL) this.moved = true;
    this.pressure = event.pressure;
    const { time } = this.trail.at(-1);
    while (this.trail.length > 2 && this.trail[0].time < time - TRAIL) this.trail.shift();
  }

  /** On a group: the place and speed along the bar by least squares over the trail, how deep and how slanted. */
  on(group) {
    const places = sinceTurning(this.trail.map(({ time, point }) => ({ time, ...this.view.on(group, point) })));
    const last = places.at(-1);
    const at = slope(places.map((each) => [each.time - last.time, each.at]));
    const height = slope(places.map((each) => [each.time - last.time, each.height]));
    const speed = at.slope;
    return {
      at: places.length > 2 ? at.now : last.at, speed, time: last.time, depth: last.depth, off: last.off,
      falls: Math.abs(speed) > MOVES ? -height.slope / speed : 0, // m nearer to the bar for a metre along it
    };
  }

  /** Goes on with the stroke under way, ends it, begins the next. */
  follow(player) {
    if (this.trail.length < 2) return;
    if (this.stroke && !this.goesOn(player)) this.end(player);
    if (!this.stroke) this.begin(player);
  }

  goesOn(player) {
    const { group, sign, late } = this.stroke;
    const hand = this.on(group);
    const [low, high] = this.view.spans[group];
    if (hand.speed * sign < -TURNS || hand.off > 0.05) return false;
    player.tell({ move: { id: this.stroke.id, ...told(hand, player, late), speed_mm_s: Math.max(0, 1000 * sign * hand.speed) } });
    const rest = sign > 0 ? high - hand.at : hand.at - low;
    return rest > -NEAR - Math.abs(hand.speed) * late;
  }

  /** The stroke of the group that the hand is about to enter, if there is one. */
  begin(player) {
    const coming = this.coming();
    if (!coming) return;
    const { group, hand, sign } = coming;
    const now = performance.now() / 1000;
    const [low, high] = this.view.spans[group];
    const ahead = (sign > 0 ? low - hand.at : hand.at - high) - NEAR / 4;
    const left = ahead / Math.abs(hand.speed) - (now - hand.time);
    const inside = ahead < -NEAR / 2 && !this.swept(group, sign);
    const late = inside ? 0 : Math.min(LATEST, Math.max(0, READY - left));
    this.stroke = { id: `hand${strokes++}`, group, sign, late };
    const direction = sign > 0 ? 'forward' : 'backward';
    begun(player, {
      id: this.stroke.id, group, direction, ...manner(), ...this.manner(group, hand), ...told(hand, player, late),
    });
    this.met = { group, sign };
  }

  /** Whether the whole trail shows that the hand came from outside a group that it is in by now. */
  swept(group, sign) {
    const { at } = this.view.on(group, this.trail[0].point);
    const [low, high] = this.view.spans[group];
    return sign > 0 ? at < low : at > high;
  }

  /** The next group on the hand's way: {group, hand, sign}. */
  coming() {
    let best = null;
    for (let group = 0; group < this.view.groups.length; group++) {
      const hand = this.on(group);
      if (Math.abs(hand.speed) < MOVES || hand.off > 0.03) continue;
      const sign = Math.sign(hand.speed);
      if (this.met?.group === group && this.met.sign === sign && this.past(group, hand, sign)) continue;
      const [low, high] = this.view.spans[group];
      const before = sign > 0 ? low - hand.at : hand.at - high;
      const rest = sign > 0 ? high - hand.at : hand.at - low;
      if (rest < 0 || before > Math.max(NEAR, SOON * Math.abs(hand.speed))) continue;
      const far = hand.off + Math.max(0, before);
      if (!best || far < best.far) best = { group, hand, sign, far };
    }
    return best;
  }

  past(group, hand, sign) {
    const [low, high] = this.view.spans[group];
    return sign > 0 ? hand.at > high - NEAR / 2 : hand.at < low + NEAR / 2;
  }

  /** What the hand's path says of a stroke besides its speed: level with the bar, or with the tips, it leans nowhere. */
  manner(group, { at, depth, falls, speed }) {
    const [low, high] = this.view.spans[group];
    const tines = this.view.groups[group];
    const rising = HEAD.picture[tines.at(-1)].hz >= HEAD.picture[tines[0]].hz ? 1 : -1;
    const tips = this.view.falls[group];
    const steep = falls - Math.min(Math.max(falls, Math.min(0, tips)), Math.max(0, tips));
    const lean = Math.max(-1, Math.min(1, (rising * steep * (high - low)) / LEANS));
    const far = depth + (falls - tips) * ((speed > 0 ? high : low) - at); // below the tips at the other end
    const least = Math.min(depth, far);
    const shortest = Math.min(...tines.map((r) => this.view.lengths[r]));
    const below = least < TIPS ? 0 : Math.min(0.45 * shortest, Math.round(least / HEIGHT_STEP) * HEIGHT_STEP);
    const told = { lean: Math.abs(lean) < 0.15 ? 0 : lean, height_mm: 1000 * below };
    if (this.kind === 'pen' && this.pressure > 0) told.bite_mm = BITES[0] + (BITES[1] - BITES[0]) * this.pressure;
    return told;
  }

  end(player) {
    const { id, late } = this.stroke;
    this.stroke = null;
    setTimeout(() => player.tell({ end: id }), 1000 * late);
  }

  /** Looked at in every frame: a hand that stands tells nothing of itself. */
  look(player, others) {
    const now = performance.now();
    if (this.stroke && now - 1000 * this.trail.at(-1).time > STANDS) {
      const hand = { ...this.on(this.stroke.group), at: this.view.on(this.stroke.group, this.trail.at(-1).point).at };
      player.tell({ move: { id: this.stroke.id, ...told({ ...hand, time: now / 1000 }, player, 0), speed_mm_s: 0 } });
    }
    if (!this.palm && !this.moved && others && this.kind !== 'mouse' && now - this.since > RESTS) this.rest(player);
  }

  rest(player) {
    const found = this.view.pick(this.trail.at(-1).point);
    if (!found) return;
    this.palm = HEAD.groups[found.group].name;
    palm(player, this.palm, true);
  }

  lift(player) {
    if (this.stroke) this.end(player);
    if (this.palm) palm(player, this.palm, false);
  }
}

/** Where a hand is, for the audio thread. */
function told({ at, speed, time }, player, late) {
  return { at_mm: 1000 * at, speed_mm_s: Math.min(3000, 1000 * Math.abs(speed)), time: player.second(time) + late };
}

/** Of places in the order of time those since the hand turned round the last time. */
function sinceTurning(places) {
  const end = places.at(-1).at;
  let [low, high] = [places.length - 1, places.length - 1];
  for (let k = places.length - 2; k >= 0; k--) {
    const { at } = places[k];
    if (at < places[low].at) low = k;
    if (at > places[high].at) high = k;
    if (places[low].at < end - TURN && at > places[low].at + TURN) return places.slice(low);
    if (places[high].at > end + TURN && at < places[high].at - TURN) return places.slice(high);
  }
  return places;
}

/** Least squares through [time, value]: the value at time 0 and its slope. */
function slope(pairs) {
  const n = pairs.length;
  const [t, v] = [0, 1].map((k) => pairs.reduce((sum, each) => sum + each[k], 0) / n);
  const spread = pairs.reduce((sum, each) => sum + (each[0] - t) ** 2, 0);
  const found = spread > 0 ? pairs.reduce((sum, each) => sum + (each[0] - t) * (each[1] - v), 0) / spread : 0;
  return { now: v - found * t, slope: found };
}

const hands = new Map();

function pointers(canvas, view) {
  canvas.addEventListener('pointerdown', (event) => {
    canvas.setPointerCapture(event.pointerId);
    const hand = new Hand(view, event);
    hands.set(event.pointerId, hand);
    hand.take(event, canvas.getBoundingClientRect());
    soundOn();
  });
  canvas.addEventListener('pointermove', (event) => {
    const hand = hands.get(event.pointerId);
    if (!hand) return;
    hand.take(event, canvas.getBoundingClientRect());
    if (window.tinewright.player) hand.follow(window.tinewright.player);
  });
  for (const name of ['pointerup', 'pointercancel']) {
    canvas.addEventListener(name, (event) => {
      const hand = hands.get(event.pointerId);
      hands.delete(event.pointerId);
      if (!hand) return;
      if (window.tinewright.player) hand.lift(window.tinewright.player);
      if (!hand.moved && !hand.palm && name === 'pointerup') tapped(hand);
    });
  }
}

function lookAtHands() {
  const { player } = window.tinewright;
  if (!player) return;
  for (const hand of hands.values()) hand.look(player, hands.size > 1);
}
