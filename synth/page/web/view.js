// Where things are in the picture: from space to the screen, and from a place on the screen to the bar and back.
'use strict';

const DEEP = 0.06; // of a bar's length: a bar that goes farther back than this is seen from above
const SLIGHTLY = Math.PI / 180 * 30; // above the horizon, for tines that would else point at the eye
const APART = 9; // css px that tines stand apart at least, before one has to go along the bar
const EDGES = 26; // css px around the instrument
const BEYOND = 0.05; // m before and behind a group where a hand still belongs to it

/** A view of the instrument on a canvas of `width` and `height` css px. Places are along the bar, m. */
class View {
  constructor(head) {
    const { axis } = head.bar;
    const back = axis.map((each) => each[1]);
    this.plan = Math.max(...back) - Math.min(...back) > DEEP * head.bar.length;
    const flat = head.picture.some(({ clamp, tip, length }) => Math.abs(tip[2] - clamp[2]) < 0.35 * length);
    this.angle = flat ? SLIGHTLY : 0;
    const { bar } = head;
    const thick = this.plan ? [bar.side, bar.width] : [bar.up, bar.height];
    this.bar = axis.map((each) => this.flat(each));
    this.edges = [0.5, -0.5].map((half) => axis.map((each, k) => this.flat(each.map((x, n) => x + half * thick[0][k][n] * thick[1]))));
    this.thick = thick[1];
    const middle = [0, 1].map((n) => axis.reduce((sum, each) => sum + each[n], 0) / axis.length);
    this.tips = head.picture.map((each) => (this.plan ? laidOut(each, middle) : this.flat(each.tip)));
    this.clamps = head.picture.map((each) => this.flat(each.clamp));
    this.lengths = head.picture.map(({ clamp, tip }) => Math.hypot(...tip.map((x, n) => x - clamp[n])));
    this.groups = head.groups.map(({ tines }) => [...tines].sort((a, b) => head.picture[a].x - head.picture[b].x));
    this.places = head.picture.map((each) => each.x);
    this.spans = this.groups.map((tines) => [this.places[tines[0]], this.places[tines.at(-1)]]);
    const all = [...this.edges.flat(), ...this.tips];
    this.low = [0, 1].map((n) => Math.min(...all.map((each) => each[n])));
    this.high = [0, 1].map((n) => Math.max(...all.map((each) => each[n])));
    this.falls = this.groups.map((tines, g) => {
      const [low, high] = this.spans[g];
      return high > low ? (this.up(tines[0]).size - this.up(tines.at(-1)).size) / (high - low) : 0;
    });
    const steps = this.groups.flatMap((tines) => tines.slice(1).map((r, k) => Math.abs(this.places[r] - this.places[tines[k]])));
    this.step = Math.max(0.004, Math.min(...steps));
    Object.assign(this, { pan: 0, closer: 1 });
    this.fit(800, 400);
  }

  /** A point in space as the eye sees it, m to the right and up. */
  flat([x, y, z]) {
    if (this.plan) return [x, y];
    return [x, z * Math.cos(this.angle) + y * Math.sin(this.angle)];
  }

  /** The scale for a canvas; `pan` of 0 to 1 is the part of the bar that is shown. */
  fit(width, height) {
    const [wide, tall] = [0, 1].map((n) => this.high[n] - this.low[n]);
    const whole = (width - 2 * EDGES) / wide;
    const most = (height - 2 * EDGES) / tall;
    this.scale = Math.max(Math.min(Math.max(whole, APART / this.step) * this.closer, most), Math.min(whole, most));
    Object.assign(this, { width, height });
    this.hidden = Math.max(0, wide * this.scale + 2 * EDGES - width);
    this.left = this.hidden ? EDGES - this.pan * this.hidden : (width - wide * this.scale) / 2;
    this.floor = height - (height - tall * this.scale) / 2;
  }

  /** css px of a point of the flat picture. */
  px([x, y]) {
    return [this.left + (x - this.low[0]) * this.scale, this.floor - (y - this.low[1]) * this.scale];
  }

  point([px, py]) {
    return [(px - this.left) / this.scale + this.low[0], (this.floor - py) / this.scale + this.low[1]];
  }

  /** The direction of a tine in the flat picture, from clamp to tip. */
  up(r) {
    const way = [0, 1].map((n) => this.tips[r][n] - this.clamps[r][n]);
    const size = Math.hypot(...way);
    return size > 1e-6 ? { size, way: way.map((x) => x / size) } : { size: 0, way: [0, 1] };
  }

  /** Where a point of the flat picture is on a group: place along the bar, m above the clamps, m below the tips, m off. */
  on(group, point) {
    const tines = this.groups[group];
    const near = this.nearest(tines, point);
    const { size, way } = this.up(near);
    const height = (point[0] - this.clamps[near][0]) * way[0] + (point[1] - this.clamps[near][1]) * way[1];
    const found = this.along(tines, point, Math.max(0, height));
    const beyond = Math.max(-height, 0.5 * (height - size), 0);
    return { at: found.at, height, depth: size - height, off: Math.hypot(found.off, beyond) };
  }

  nearest(tines, point) {
    let [best, least] = [tines[0], Infinity];
    for (const r of tines) {
      const there = distance(point, this.clamps[r], this.tips[r]);
      if (there < least) [best, least] = [r, there];
    }
    return best;
  }

  /** The nearest place of the line through all tines at a height above their clamps, carried on beyond both ends. */
  along(tines, point, height) {
    const line = tines.map((r) => [0, 1].map((n) => this.clamps[r][n] + height * this.up(r).way[n]));
    const places = tines.map((r) => this.places[r]);
    if (tines.length === 1) {
      line.push([line[0][0] + 0.01, line[0][1]]);
      places.push(places[0] + 0.01);
    }
    let best = { at: places[0], off: Infinity };
    for (let k = 0; k + 1 < line.length; k++) {
      const [a, b] = [line[k], line[k + 1]];
      const way = [b[0] - a[0], b[1] - a[1]];
      const size = way[0] ** 2 + way[1] ** 2 || 1e-12;
      let t = ((point[0] - a[0]) * way[0] + (point[1] - a[1]) * way[1]) / size;
      if (k > 0) t = Math.max(0, t);
      if (k + 2 < line.length) t = Math.min(1, t);
      const off = Math.hypot(point[0] - a[0] - t * way[0], point[1] - a[1] - t * way[1]);
      if (off < best.off) best = { at: places[k] + t * (places[k + 1] - places[k]), off };
    }
    return best;
  }

  /** The group that a point belongs to: {group, at, depth, off}, or nothing where none is near. */
  pick(point, { reach = BEYOND, beside = 0.03 } = {}) {
    let best = null;
    for (let group = 0; group < this.groups.length; group++) {
      const on = this.on(group, point);
      const [low, high] = this.spans[group];
      const outside = Math.max(0, low - on.at, on.at - high);
      if (outside > reach || on.off > beside) continue;
      const far = on.off + outside;
      if (!best || far < best.far) best = { group, ...on, far };
    }
    return best;
  }
}

/** In plan a tine that stands up is laid over, away from the bar's middle, so that it shows its true length. */
function laidOut({ clamp, tip, along }, middle) {
  const across = [-along[1], along[0]];
  const size = Math.hypot(...across) || 1;
  const away = across[0] * (clamp[0] - middle[0]) + across[1] * (clamp[1] - middle[1]) < 0 ? -1 : 1;
  const up = ((tip[2] - clamp[2]) * away) / size;
  return [0, 1].map((n) => tip[n] + up * across[n]);
}

/** From a point to a piece of a line. */
function distance(point, a, b) {
  const way = [b[0] - a[0], b[1] - a[1]];
  const size = way[0] ** 2 + way[1] ** 2 || 1e-12;
  const t = Math.min(1, Math.max(0, ((point[0] - a[0]) * way[0] + (point[1] - a[1]) * way[1]) / size));
  return Math.hypot(point[0] - a[0] - t * way[0], point[1] - a[1] - t * way[1]);
}
