const AHEAD = 0.03; // s from a choice to its sound: the audio thread must hear of it in time
const FADE = 0.008; // s in which one sound takes over from another; linear, for sounds that are nearly alike

/** Sounds of one length of which one is heard; another takes over at the same moment of the sound. */
class Player {
  constructor(buffers, sounds) {
    this.buffers = buffers;
    this.sounds = sounds;
    this.context = null;
    this.voice = null; // what sounds: its source and its gain
    this.current = 0;
    this.level = "true";
    this.down = 0; // dB
    this.loop = true;
    this.position = 0; // s, where it goes on
    this.origin = 0; // the context's time at which the sound began
    this.changed = () => {};
  }

  get seconds() { return this.buffers[0].duration; }
  get playing() { return this.voice !== null; }
  gain(n) { return this.sounds[n][this.level] * 10 ** (-this.down / 20); }

  /** The moment of the sound that is heard now, s. */
  moment() { return this.playing ? this.within(this.context.currentTime - this.origin) : this.position; }
  within(time) {
    const past = Math.max(0, time);
    return this.loop ? past % this.seconds : Math.min(past, this.seconds);
  }

  play() {
    if (this.playing) return;
    this.context ??= new AudioContext({ sampleRate: this.buffers[0].sampleRate });
    if (this.context instanceof AudioContext && this.context.state === "suspended") this.context.resume();
    const at = this.context.currentTime + AHEAD;
    this.origin = at - this.position;
    this.begin(at, 0);
    this.changed();
  }

  stop() {
    if (!this.playing) return;
    this.position = this.moment();
    this.end(this.context.currentTime);
    this.changed();
  }

  seek(moment) {
    const was = this.playing;
    this.stop();
    this.position = Math.min(Math.max(0, moment), this.seconds - 0.01);
    if (was) this.play();
  }

  /** Another sound, or the same at another level, from the same moment on. */
  select(n) {
    this.current = n;
    if (this.playing) {
      const at = this.context.currentTime + AHEAD;
      this.end(at);
      this.begin(at, FADE);
    }
    this.changed();
  }

  begin(at, fade) {
    const source = new AudioBufferSourceNode(this.context, { buffer: this.buffers[this.current], loop: this.loop });
    const gain = new GainNode(this.context, { gain: 0 });
    gain.gain.setValueAtTime(fade > 0 ? 0 : this.gain(this.current), at);
    if (fade > 0) gain.gain.linearRampToValueAtTime(this.gain(this.current), at + fade);
    source.connect(gain).connect(this.context.destination);
    const voice = { source, gain, level: this.gain(this.current) };
    source.onended = () => {
      if (this.voice !== voice) return;
      this.voice = null;
      this.position = 0;
      this.changed();
    };
    source.start(at, this.within(at - this.origin));
    this.voice = voice;
  }

  end(at) {
    const { source, gain, level } = this.voice;
    gain.gain.setValueAtTime(level, at);
    gain.gain.linearRampToValueAtTime(0, at + FADE);
    source.stop(at + FADE);
    this.voice = null;
  }
}

const bytes = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));

/** The sounds as buffers, at the rate at which they were rendered. */
async function decoded(sounds, rate, told) {
  const decoder = new OfflineAudioContext(2, 1, rate);
  const buffers = [];
  for (const each of sounds) {
    buffers.push(await decoder.decodeAudioData(bytes(each.flac).buffer));
    delete each.flac;
    told(buffers.length);
  }
  return buffers;
}
