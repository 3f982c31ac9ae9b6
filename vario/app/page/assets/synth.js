// Offers: kit, Synth. The rules are those of the instrument's own sound engine; see `vario.sound`.
const kit = content.tones.kit;
const TABLE = 4096;

const waveTables = kit.voices.map(({ partials }) => {
  const table = new Float32Array(TABLE);
  partials.forEach(([multiple, amplitude], k) => {
    for (let i = 0; i < TABLE; i++) table[i] += amplitude * Math.sin(multiple * i * 2 * Math.PI / TABLE + k * 2.1);
  });
  let peak = 0;
  for (const value of table) peak = Math.max(peak, Math.abs(value));
  return table.map((value) => value / peak);
});

const fromPcm = (text) => Float32Array.from(new Int16Array(bytesOf(text).buffer), (value) => value / 32767);
const cueSamples = Object.fromEntries(Object.entries(kit.cues).map(([name, { samples, room }]) => [name, { samples: fromPcm(samples), room }]));
const wordSamples = Object.fromEntries(Object.entries(kit.speech.words).map(([name, samples]) => [name, fromPcm(samples)]));

function sentence(words) {
  const { lead_samples: lead, pause_samples: pause } = kit.speech;
  const samples = new Float32Array(2 * lead + words.reduce((sum, word) => sum + wordSamples[word].length + pause, 0));
  let at = lead;
  for (const word of words) {
    samples.set(wordSamples[word], at);
    at += wordSamples[word].length + pause;
  }
  return { samples, room: kit.speech.room };
}

/** Index of the first of these sounds at a time or later. */
function firstFrom(sounds, t) {
  const k = sounds.findIndex(([at]) => at >= t);
  return k < 0 ? sounds.length : k;
}

function amplitudeAt(voice, pitch) {
  const pitches = kit.pitches_hz, { amplitudes } = kit.voices[voice];
  let k = 0;
  while (k < pitches.length - 2 && pitches[k + 1] < pitch) k++;
  const share = Math.min(Math.max((pitch - pitches[k]) / (pitches[k + 1] - pitches[k]), 0), 1);
  return amplitudes[k] + share * (amplitudes[k + 1] - amplitudes[k]);
}

/** Renders the commands from a time on. Flight time runs `speed` times as fast as the sound. */
class Synth {
  constructor(t, speed = 1) {
    this.t = t;
    this.speed = speed;
    this.rate = kit.sample_rate_hz;
    this.glide = Math.round(kit.glide_s * this.rate);
    this.index = tones.t_s.length ? indexAt(t, tones.t_s) : -1;
    this.cueIndex = firstFrom(content.tones.cues, t);
    this.speechIndex = firstFrom(content.tones.speech, t);
    this.cue = null;
    Object.assign(this, { phase: 0, beep: 0, place: 0, open: false, beeping: false, voice: 0, room: 1,
      pitch: 440, level: 0, pitchStep: 0, levelStep: 0, left: 0 });
    this.take();
  }

  take() {
    const k = this.index;
    const on = k >= 0 && tones.t_s[k] <= this.t && tones.level[k] > 0;
    this.want = on
      ? { pitch: tones.pitch_hz[k], beep: tones.beep_hz[k], level: tones.level[k], voice: tones.voice[k] }
      : null;
    this.aim();
  }

  /** Let the wanted command take effect as far as it can without a click. */
  aim() {
    const { want } = this, closed = this.place <= 0;
    if (!want) { this.open = this.beeping = false; return; }
    if (want.voice !== this.voice && !closed) { this.open = this.beeping = false; this.waits = true; return; }
    this.waits = false;
    this.voice = want.voice;
    const level = want.level * kit.headroom * amplitudeAt(want.voice, want.pitch);
    if (closed) {
      this.pitch = want.pitch; this.level = level; this.left = 0;
    } else {
      this.left = this.glide;
      this.pitchStep = (want.pitch - this.pitch) / this.glide;
      this.levelStep = (level - this.level) / this.glide;
    }
    if (want.beep > 0) {
      if (!this.beeping) { this.beep = 0; this.beeping = true; }
    } else {
      this.open = true; this.beeping = false;
    }
  }

  /** A cue ends the cue or speech that sounds. Speech is left out while a cue or other speech sounds. */
  startCues() {
    const { cues, speech } = content.tones;
    while (this.cueIndex < cues.length && cues[this.cueIndex][0] <= this.t) {
      const [, name, level] = cues[this.cueIndex++];
      this.cue = { ...cueSamples[name], level: level * kit.headroom, at: 0 };
    }
    while (this.speechIndex < speech.length && speech[this.speechIndex][0] <= this.t) {
      const [, words, level] = speech[this.speechIndex++];
      if (!this.cue) this.cue = { ...sentence(words), level: level * kit.headroom, at: 0 };
    }
  }

  render(n) {
    const out = new Float32Array(n), dt = this.speed / this.rate;
    const up = 1 / (kit.attack_s * this.rate), down = 1 / (kit.release_s * this.rate), times = tones.t_s;
    for (let i = 0; i < n; i++, this.t += dt) {
      if (this.index + 1 < times.length && times[this.index + 1] <= this.t) {
        while (this.index + 1 < times.length && times[this.index + 1] <= this.t) this.index++;
        this.take();
      }
      if ((i & 31) === 0) this.startCues();
      if (this.waits && this.place <= 0) this.aim();
      let gate = this.open, ratio = 1;
      if (this.beeping) {
        gate = false;
        for (const [start, stop, r] of kit.voices[this.voice].notes) {
          if (this.beep >= start) ratio = r;
          if (this.beep >= start && this.beep < stop) gate = true;
        }
        this.beep += this.want.beep / this.rate;
        if (this.beep >= 1) this.beep -= 1;
      }
      this.place = gate ? Math.min(1, this.place + up) : Math.max(0, this.place - down);
      if (this.left > 0) { this.left--; this.pitch += this.pitchStep; this.level += this.levelStep; }
      this.phase += this.pitch * ratio / this.rate;
      if (this.phase >= 1) this.phase -= 1;
      let value = 0;
      if (this.place > 0) {
        const edge = this.place - Math.sin(2 * Math.PI * this.place) / (2 * Math.PI);
        value = waveTables[this.voice][(this.phase * TABLE) | 0] * edge * this.level;
      }
      const room = this.cue ? this.cue.room : 1;
      this.room += Math.sign(room - this.room) * Math.min(Math.abs(room - this.room), down);
      value *= this.room;
      if (this.cue) {
        value += this.cue.samples[this.cue.at++] * this.cue.level;
        if (this.cue.at >= this.cue.samples.length) this.cue = null;
      }
      out[i] = value;
    }
    return out;
  }
}
