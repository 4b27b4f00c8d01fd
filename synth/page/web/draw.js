// The picture: bar, tines and nuts from their true geometry, in device pixels; fans where they ring, light where met.
'use strict';

const INK = '#1d2733';
const PALE = '#b3c9de';
const METAL = '#cfd3d6';
const LIT = '#8a3d0c';
const GLOWS = 450; // ms that a tine that was touched stays lit
const SHOWN_SWING = 2.2; // m of the picture for the root of a metre of swing
const WIDEST_SWING = 0.3; // of a tine's length

class Drawing {
  constructor(canvas, view) {
    Object.assign(this, { canvas, view, pen: canvas.getContext('2d'), chosen: null });
    this.moving = true; // as it was drawn last: something rings or is lit
    this.still = matchMedia('(prefers-reduced-motion: reduce)');
    this.take();
  }

  /** An instrument that is not as it was. */
  take() {
    this.lit = new Map(); // tine: until when, ms
    this.swings = new Float32Array(2 * HEAD.picture.length);
    this.order = [...HEAD.picture.keys()].sort((a, b) => HEAD.picture[b].clamp[1] - HEAD.picture[a].clamp[1]);
  }

  /** Tines that were touched light up, each a little after the one before it where they are told all at once. */
  light(tines) {
    this.moving ||= tines.length > 0;
    for (const r of tines) this.lit.set(r, performance.now() + GLOWS);
  }

  draw(now) {
    const { canvas, pen, view } = this;
    const ratio = devicePixelRatio;
    const [width, height] = [canvas.clientWidth, canvas.clientHeight];
    if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
      Object.assign(canvas, { width: Math.round(width * ratio), height: Math.round(height * ratio) });
    }
    view.fit(width, height);
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    this.moving = false;
    this.bar();
    for (const r of this.order) this.tine(r, now);
    this.names();
    this.ruler();
  }

  bar() {
    const { pen, view } = this;
    const [top, under] = view.edges.map((edge) => edge.map((each) => view.px(each)));
    pen.fillStyle = METAL;
    pen.strokeStyle = INK;
    pen.lineWidth = 1;
    pen.beginPath();
    top.forEach((each) => pen.lineTo(...each));
    under.reverse().forEach((each) => pen.lineTo(...each));
    pen.closePath();
    pen.fill();
    pen.stroke();
    for (const at of view.plan ? [] : HEAD.bar.supports) {
      const [x, y] = view.px(this.axisAt(at));
      pen.beginPath();
      pen.moveTo(x, y + 0.5 * view.thick * view.scale);
      pen.lineTo(x - 6, y + 0.5 * view.thick * view.scale + 9);
      pen.lineTo(x + 6, y + 0.5 * view.thick * view.scale + 9);
      pen.closePath();
      pen.stroke();
    }
  }

  axisAt(place) {
    const { bar } = this.view;
    const t = Math.min(1, Math.max(0, place / HEAD.bar.length)) * (bar.length - 1);
    const k = Math.min(bar.length - 2, Math.floor(t));
    return [0, 1].map((n) => bar[k][n] + (t - k) * (bar[k + 1][n] - bar[k][n]));
  }

  tine(r, now) {
    const { pen, view } = this;
    const told = HEAD.picture[r];
    const [clamp, tip] = [view.px(view.clamps[r]), view.px(view.tips[r])];
    const up = [tip[0] - clamp[0], tip[1] - clamp[1]];
    const size = Math.hypot(...up) || 1;
    const beside = [-up[1] / size, up[0] / size];
    const amplitude = Math.hypot(this.swings[2 * r], this.swings[2 * r + 1]);
    const swing = Math.min(WIDEST_SWING * size, SHOWN_SWING * Math.sqrt(amplitude) * view.scale);
    const to = (much) => [tip[0] + much * beside[0], tip[1] + much * beside[1]];
    if (swing > 0.5) {
      pen.fillStyle = PALE;
      pen.beginPath();
      for (const each of [clamp, to(swing), to(-swing)]) pen.lineTo(...each);
      pen.fill();
    }
    const lean = this.still.matches ? 0 : swing * Math.sin((now / 1000) * 2 * Math.PI * (2 + told.hz / 200));
    const lit = (this.lit.get(r) ?? 0) > now;
    this.moving ||= lit || swing > 0.5;
    const thick = Math.max(1, told.diameter * view.scale);
    pen.strokeStyle = lit ? LIT : INK;
    pen.lineWidth = lit ? thick + 2.5 : thick;
    const end = to(lean);
    pen.beginPath();
    pen.moveTo(...clamp);
    pen.quadraticCurveTo(clamp[0] + 0.5 * up[0] + 0.2 * lean * beside[0], clamp[1] + 0.5 * up[1] + 0.2 * lean * beside[1], ...end);
    pen.stroke();
    if (lit) this.dot(end);
    this.nut(clamp, up, beside, -0.4 * told.diameter / view.lengths[r], { width: 1.8 * told.diameter, height: 0.8 * told.diameter }, 0);
    for (const nut of told.nuts) this.nut(clamp, up, beside, nut.at / view.lengths[r], nut, lean);
    if (this.chosen === r) this.ring(tip);
  }

  /** No colour alone: a tine that is lit wears a knob. */
  dot([x, y]) {
    const { pen } = this;
    pen.fillStyle = LIT;
    pen.beginPath();
    pen.arc(x, y, 4, 0, 2 * Math.PI);
    pen.fill();
  }

  ring([x, y]) {
    const { pen } = this;
    pen.strokeStyle = LIT;
    pen.lineWidth = 2;
    pen.strokeRect(x - 7, y - 7, 14, 14);
  }

  nut(clamp, up, beside, share, { width, height }, lean) {
    const { pen, view } = this;
    const off = lean * share ** 2;
    const [x, y] = [0, 1].map((n) => clamp[n] + share * up[n] + off * beside[n]);
    const [wide, tall] = [Math.max(3, width * view.scale), Math.max(2, height * view.scale)];
    pen.save();
    pen.translate(x, y);
    pen.rotate(Math.atan2(up[1], up[0]) + Math.PI / 2);
    pen.fillStyle = INK;
    pen.fillRect(-wide / 2, -tall / 2, wide, tall);
    pen.restore();
  }

  /** Names of groups beyond the clamps, away from the tips. */
  names() {
    const { pen } = this;
    pen.fillStyle = INK;
    pen.font = '600 13px system-ui, sans-serif';
    pen.textAlign = 'center';
    pen.textBaseline = 'middle';
    HEAD.groups.forEach(({ name }, g) => {
      const [x, y] = this.nameAt(g);
      const half = pen.measureText(name).width / 2 + 2;
      pen.fillStyle = '#fff';
      pen.fillRect(x - half, y - 8, 2 * half, 16);
      pen.fillStyle = INK;
      pen.fillText(name, x, y);
    });
  }

  /** Where a group's name stands. */
  nameAt(g) {
    const { view } = this;
    const tines = view.groups[g];
    const middle = tines[tines.length >> 1];
    const [clamp, tip] = [view.px(view.clamps[middle]), view.px(view.tips[middle])];
    const size = Math.hypot(tip[0] - clamp[0], tip[1] - clamp[1]) || 1;
    const away = 14 + view.thick * view.scale;
    return [0, 1].map((n) => clamp[n] - (away * (tip[n] - clamp[n])) / size);
  }

  /** How long 100 mm are, or 4 inches, as on a drawing. */
  ruler() {
    const { pen, view } = this;
    const [metres, said] = HEAD.units === 'inch' ? [0.1016, '4 in'] : [0.1, '100 mm'];
    const long = metres * view.scale;
    const [x, y] = [10, 14];
    pen.strokeStyle = INK;
    pen.lineWidth = 1;
    pen.beginPath();
    for (const [a, b] of [[[x, y], [x + long, y]], [[x, y - 4], [x, y + 4]], [[x + long, y - 4], [x + long, y + 4]]]) {
      pen.moveTo(...a);
      pen.lineTo(...b);
    }
    pen.stroke();
    pen.font = '12px system-ui, sans-serif';
    pen.textAlign = 'left';
    pen.fillText(`${said}, ${view.plan ? 'plan, tines laid outward' : view.angle ? 'from the front and above' : 'from the front'}`, x + long + 6, y);
  }
}
