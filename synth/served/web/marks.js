// What is known, drawn into the picture: tines past their endurance, a quarrel from its tine to the mode of the bar.
'use strict';

const SHAPE_PX = 20; // of a bar mode's greatest motion in the picture
const GHOST = '#3a5a1c';

/** Drawn over what the page draws. */
class Marks {
  constructor(drawing) {
    this.drawing = drawing;
    this.quarrel = null; // that is drawn
    const plainly = drawing.draw.bind(drawing);
    drawing.draw = (now) => {
      plainly(now);
      this.draw();
    };
  }

  draw() {
    for (const r of known.past) this.past(r);
    for (const r of known.quarrelling) this.tick(r);
    if (this.quarrel) this.between(this.quarrel);
    if (drag.at) this.ghost(drag.at);
  }

  get pen() {
    return this.drawing.pen;
  }

  /** A triangle beyond the tip, with a stroke in it: no colour alone. */
  past(r) {
    const [x, y] = view.px(view.tips[r]);
    const { pen } = this;
    pen.strokeStyle = LIT;
    pen.lineWidth = 1.5;
    pen.beginPath();
    for (const [a, b] of [[0, -16], [-5, -7], [5, -7]]) pen.lineTo(x + a, y + b);
    pen.closePath();
    pen.moveTo(x, y - 13);
    pen.lineTo(x, y - 9);
    pen.stroke();
  }

  /** Two short lines beside the clamp of a tine that quarrels. */
  tick(r) {
    const [x, y] = view.px(view.clamps[r]);
    const { pen } = this;
    pen.strokeStyle = LIT;
    pen.lineWidth = 1.5;
    pen.beginPath();
    for (const off of [-2, 2]) {
      pen.moveTo(x + off - 2, y + 9);
      pen.lineTo(x + off + 2, y + 3);
    }
    pen.stroke();
  }

  /** The bar's mode as a dashed line along the bar, the tine joined to it, and the cents. */
  between({ tine, bar_shape: shape, bar_hz: hz, partial, cents }) {
    const { pen } = this;
    const line = shape.map((much, k) => this.moved(k / (shape.length - 1), much));
    pen.strokeStyle = LIT;
    pen.lineWidth = 1.5;
    pen.setLineDash([6, 4]);
    pen.beginPath();
    line.forEach((each) => pen.lineTo(...each));
    pen.stroke();
    pen.setLineDash([]);
    const [clamp, tip] = [view.px(view.clamps[tine]), view.px(view.tips[tine])];
    const near = line.reduce((best, each) => (Math.hypot(each[0] - clamp[0], each[1] - clamp[1]) < Math.hypot(best[0] - clamp[0], best[1] - clamp[1]) ? each : best));
    pen.lineWidth = 2.5;
    pen.beginPath();
    pen.moveTo(...near);
    pen.lineTo(...clamp);
    pen.lineTo(...tip);
    pen.stroke();
    const sign = cents < 0 ? '−' : '+';
    this.words(`partial ${partial} and the bar at ${hz.toFixed(0)} Hz: ${sign}${Math.abs(cents).toFixed(0)} cents`);
  }

  /** A point of the bar, at a share of its length, moved across the picture. */
  moved(share, much) {
    const at = view.px(this.drawing.axisAt(share * HEAD.bar.length));
    const [a, b] = [-0.01, 0.01].map((off) => view.px(this.drawing.axisAt((share + off) * HEAD.bar.length)));
    const size = Math.hypot(b[0] - a[0], b[1] - a[1]) || 1;
    return [at[0] + (SHAPE_PX * much * (b[1] - a[1])) / size, at[1] - (SHAPE_PX * much * (b[0] - a[0])) / size];
  }

  /** At the foot of the picture, where no tines are. */
  words(text) {
    const { pen } = this;
    pen.font = '600 13px system-ui, sans-serif';
    pen.textAlign = 'left';
    pen.textBaseline = 'middle';
    const wide = pen.measureText(text).width + 8;
    const top = view.height - 14;
    pen.fillStyle = '#fff';
    pen.fillRect(6, top - 10, wide, 20);
    pen.fillStyle = LIT;
    pen.fillText(text, 10, top);
  }

  /** What is dragged, where it would go. */
  ghost({ kind, to, r, from, g }) {
    if (to === undefined) return;
    const { pen } = this;
    pen.strokeStyle = pen.fillStyle = GHOST;
    pen.lineWidth = 2;
    if (kind === 'nut') {
      const share = to / 1000 / view.lengths[r];
      const [x, y] = view.px([0, 1].map((n) => view.clamps[r][n] + share * (view.tips[r][n] - view.clamps[r][n])));
      pen.strokeRect(x - 7, y - 5, 14, 10);
      return;
    }
    const places = kind === 'support' ? [to / 1000] : HEAD.groups[g].tines.map((each) => HEAD.picture[each].x - from + to / 1000);
    for (const place of places) {
      const [x, y] = view.px(this.drawing.axisAt(place));
      pen.beginPath();
      pen.moveTo(x, y - 16);
      pen.lineTo(x, y + 16);
      pen.stroke();
    }
  }
}

const marks = new Marks(drawing);
