// Offers: player. Plays from the cursor on and moves it; a moved cursor is heard.
const AHEAD_S = 0.25, CHUNK_S = 0.1, SNIPPET_S = 0.8;

const player = {
  playing: false, heard: 0, speed: 1, volume: 0.6, hearCursor: true,

  ready() {
    if (!this.context) {
      this.context = new AudioContext({ sampleRate: kit.sample_rate_hz });
      this.gain = this.context.createGain();
      this.gain.gain.value = this.volume;
      this.gain.connect(this.context.destination);
    }
    if (this.context.state === "suspended") this.context.resume();
  },

  /** Sound from a time on: for `seconds`, or until stopped. */
  begin(t, seconds) {
    this.silence();
    this.ready();
    this.synth = new Synth(t, seconds ? 1 : this.speed);
    this.from = t;
    this.at = this.startedAt = this.context.currentTime + 0.03;
    this.until = seconds ? this.at + seconds : Infinity;
    this.queue = [];
    this.fill();
    this.timer = setInterval(() => this.fill(), 50);
  },

  fill() {
    while (this.at < Math.min(this.context.currentTime + AHEAD_S, this.until)) {
      const samples = this.synth.render(Math.round(CHUNK_S * kit.sample_rate_hz));
      const buffer = this.context.createBuffer(1, samples.length, kit.sample_rate_hz);
      buffer.copyToChannel(samples, 0);
      const node = this.context.createBufferSource();
      node.buffer = buffer;
      node.connect(this.gain);
      node.start(this.at);
      node.onended = () => this.queue.shift();
      this.queue.push(node);
      this.at += samples.length / kit.sample_rate_hz;
      this.heard += samples.length;
    }
    if (this.at >= this.until && this.timer) { clearInterval(this.timer); this.timer = null; }
  },

  silence() {
    if (this.timer) clearInterval(this.timer);
    this.timer = null;
    for (const node of this.queue || []) {
      node.onended = null;
      try { node.stop(); } catch { /* it has not begun */ }
    }
    this.queue = [];
  },

  play() {
    if (this.playing) return;
    if (state.t >= state.whole[1] - 0.1) setCursor(state.whole[0]);
    this.playing = true;
    this.begin(state.t);
    const follow = () => {
      if (!this.playing) return;
      const t = this.from + Math.max(0, this.context.currentTime - this.startedAt) * this.speed;
      setCursor(t, "playing");
      if (t >= state.whole[1]) this.pause(); else requestAnimationFrame(follow);
    };
    requestAnimationFrame(follow);
    this.show();
  },

  pause() {
    this.playing = false;
    this.silence();
    this.show();
  },

  toggle() { if (this.playing) this.pause(); else this.play(); },

  show() {
    const button = document.getElementById("play");
    button.classList.toggle("on", this.playing);
    button.setAttribute("aria-label", this.playing ? "Pause" : "Play");
  },
};

listen("cursor", (how) => {
  if (how === "playing") return;
  if (player.playing) player.begin(state.t);
  else if (player.hearCursor && how === "hand") player.begin(state.t, SNIPPET_S);
});
