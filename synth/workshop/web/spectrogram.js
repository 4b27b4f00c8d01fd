const MARGIN = { left: 44, bottom: 22 };
const SHADES = [[255, 255, 255], [214, 226, 233], [130, 170, 196], [52, 96, 140], [29, 39, 51], [138, 61, 12]];

/** A shade of ink for 0 to 255, darker where it is louder; the very loudest rusty. */
function shade(value) {
  const place = (value / 255) * (SHADES.length - 1), low = Math.min(Math.floor(place), SHADES.length - 2);
  return SHADES[low].map((from, n) => Math.round(from + (SHADES[low + 1][n] - from) * (place - low)));
}

/** Levels of tones over time, on the scale that all share, with the partials of the tines and a cursor. */
class Spectrogram {
  constructor(canvas, head) {
    this.canvas = canvas;
    this.head = head;
    this.images = head.sounds.map((each) => this.image(bytes(each.levels)));
    this.shown = 0;
  }

  image(levels) {
    const rows = this.head.rows, columns = levels.length / rows;
    const picture = document.createElement("canvas");
    picture.width = columns;
    picture.height = rows;
    const pixels = new ImageData(columns, rows);
    const shades = Array.from({ length: 256 }, (_, n) => shade(n));
    for (let row = 0; row < rows; row++)
      for (let column = 0; column < columns; column++) {
        const ink = shades[levels[row * columns + column]], at = 4 * ((rows - 1 - row) * columns + column);
        pixels.data.set([...ink, 255], at);
      }
    picture.getContext("2d").putImageData(pixels, 0, 0);
    return picture;
  }

  height(hertz, box) {
    const { lowest_hz: low, highest_hz: high } = this.head;
    return box.height * (1 - Math.log(hertz / low) / Math.log(high / low));
  }

  box() {
    return { width: this.canvas.clientWidth - MARGIN.left, height: this.canvas.clientHeight - MARGIN.bottom };
  }

  moment(event) {
    return ((event.offsetX - MARGIN.left) / this.box().width) * this.head.seconds;
  }

  draw(moment) {
    const scale = window.devicePixelRatio || 1, box = this.box();
    const width = Math.round(this.canvas.clientWidth * scale), height = Math.round(this.canvas.clientHeight * scale);
    if (this.canvas.width !== width || this.canvas.height !== height) Object.assign(this.canvas, { width, height });
    const pen = this.canvas.getContext("2d");
    pen.setTransform(scale, 0, 0, scale, 0, 0);
    pen.clearRect(0, 0, this.canvas.clientWidth, this.canvas.clientHeight);
    pen.drawImage(this.images[this.shown], MARGIN.left, 0, box.width, box.height);
    this.axes(pen, box);
    this.cursor(pen, box, moment);
  }

  axes(pen, box) {
    pen.fillStyle = "#1d2733";
    pen.font = "13px system-ui, sans-serif";
    pen.textAlign = "right";
    for (let octave = 2; octave < 10; octave++) {
      const y = this.height(this.head.a4_hz * 2 ** (octave - 4 - 9 / 12), box);
      if (y > 8) pen.fillText(`C${octave}`, MARGIN.left - 12, y + 4);
      pen.fillRect(MARGIN.left - 8, y, 6, 1);
    }
    pen.textAlign = "center";
    const step = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20].find((each) => this.head.seconds / each < 9) ?? 20;
    for (let second = 0; second < this.head.seconds; second += step) {
      const x = MARGIN.left + (second / this.head.seconds) * box.width;
      pen.fillText(`${+second.toFixed(1)} s`, x + (second ? 0 : 6), box.height + 16);
    }
    pen.fillStyle = "#8a3d0c";
    for (const hertz of this.head.sounds[this.shown].partials_hz) {
      if (hertz < this.head.highest_hz) pen.fillRect(MARGIN.left, this.height(hertz, box) - 1, 10, 2);
    }
  }

  cursor(pen, box, moment) {
    const x = MARGIN.left + (moment / this.head.seconds) * box.width;
    pen.fillStyle = "#c2410c";
    pen.fillRect(x - 1, 0, 2, box.height);
  }
}
