// The strip of the tone, the keys, light and dark, print; then the first drawing.
const strip = (() => {
  const box = document.getElementById("strip"), [base, overlay] = box.querySelectorAll("canvas");
  const INKS = { lift: "amber", sink: "violet", "relative netto": "teal", "fly faster": "rose", "fly slower": "rose" };
  const LOW = Math.log(180), HIGH = Math.log(2400);
  const x = (t, w) => (t - state.view[0]) / (state.view[1] - state.view[0]) * w;
  const y = (hz, h) => h - 5 - (Math.log(hz) - LOW) / (HIGH - LOW) * (h - 14);

  const draw = inFrame(() => {
    const { c, w, h } = sharp(base), [from, to] = state.view, times = tones.t_s;
    c.fillStyle = colour("grid");
    c.fillRect(0, h - 1, w, 1);
    if (!times.length) return;
    const paths = new Map();
    const begin = indexAt(from, times), end = Math.min(indexAt(to, times) + 1, times.length);
    for (let k = begin; k < end; k++) {
      if (tones.level[k] === 0) continue;
      const x0 = Math.max(0, x(times[k], w)), x1 = Math.min(w, x(k + 1 < times.length ? times[k + 1] : to, w));
      if (x1 <= 0 || x0 >= w) continue;
      const voice = tones.voice[k];
      if (!paths.has(voice)) paths.set(voice, [new Path2D(), new Path2D()]);
      const [area, line] = paths.get(voice), top = y(tones.pitch_hz[k], h), wide = Math.max(x1 - x0, 0.6);
      area.rect(x0, top, wide, h - top - 1);
      line.rect(x0, top - 1, wide, 2.2);
    }
    for (const [voice, [area, line]] of paths) {
      c.fillStyle = colour(INKS[kit.voices[voice].name]);
      c.globalAlpha = 0.22;
      c.fill(area);
      c.globalAlpha = 1;
      c.fill(line);
    }
    c.fillStyle = colour("accent");
    for (const [t] of content.tones.cues) {
      const at = x(t, w);
      if (at < 0 || at > w) continue;
      c.beginPath();
      c.moveTo(at - 3, 0); c.lineTo(at + 3, 0); c.lineTo(at, 5);
      c.fill();
    }
    point.now();
  });

  const point = inFrame(() => {
    const { c, w, h } = sharp(overlay);
    for (const [when, ink, wide] of [[state.hover, "soft", 1], [state.t, "accent", 2]]) {
      if (when === null) continue;
      c.fillStyle = colour(ink);
      c.fillRect(x(when, w) - wide / 2, 0, wide, h);
    }
    const time = state.hover ?? state.t;
    document.getElementById("clock").replaceChildren(clock(time, state.view[1] - state.view[0] < 600),
      element("small", {}, utc(time) || "since the beginning"));
  });

  const timeAt = (event) => {
    const area = base.getBoundingClientRect();
    return state.view[0] + (event.clientX - area.left) / area.width * (state.view[1] - state.view[0]);
  };
  let held = false;
  base.addEventListener("pointerdown", (event) => { held = true; base.setPointerCapture(event.pointerId); setCursor(timeAt(event), "hand"); });
  base.addEventListener("pointermove", (event) => { if (held) setCursor(timeAt(event), "hand"); else setHover(timeAt(event)); });
  base.addEventListener("pointerup", () => { held = false; });
  base.addEventListener("pointerleave", () => { setHover(null); });
  ["view", "theme", "size"].forEach((name) => listen(name, draw));
  listen("cursor", point);
  listen("hover", point);
  return { draw };
})();

const by = (name) => document.getElementById(name);
by("play").addEventListener("click", () => player.toggle());
by("speed").addEventListener("change", (event) => { player.speed = +event.target.value; if (player.playing) player.begin(state.t); });
by("volume").addEventListener("input", (event) => {
  player.volume = +event.target.value;
  if (player.gain) player.gain.gain.value = player.volume;
});
by("listen").addEventListener("change", (event) => { player.hearCursor = event.target.checked; });
by("zoom-in").addEventListener("click", () => zoom(0.5));
by("zoom-out").addEventListener("click", () => zoom(2));
by("zoom-all").addEventListener("click", () => setView(...state.whole));
by("map-fit").addEventListener("click", () => map.fit());

function nextMark(step) {
  const times = content.summary.marks.map(({ t_s: at }) => at);
  const at = step > 0 ? times.find((t) => t > state.t + 0.01) : times.findLast((t) => t < state.t - 0.01);
  if (at !== undefined) setCursor(at, "hand");
}

const KEYS = {
  " ": () => player.toggle(),
  ArrowLeft: (step) => setCursor(state.t - step, "hand"),
  ArrowRight: (step) => setCursor(state.t + step, "hand"),
  Home: () => setCursor(state.view[0], "hand"),
  End: () => setCursor(state.view[1], "hand"),
  n: () => climbs.next(1),
  p: () => climbs.next(-1),
  m: () => nextMark(1),
  M: () => nextMark(-1),
  "+": () => zoom(0.5),
  "=": () => zoom(0.5),
  "-": () => zoom(2),
  "−": () => zoom(2),
  0: () => setView(...state.whole),
  f: () => map.fit(),
  s: () => by("listen").click(),
};
document.addEventListener("keydown", (event) => {
  const inControl = event.target.closest("input, select") || (event.target.closest("button, summary") && event.key === " ");
  const act = KEYS[event.key];
  if (!act || event.altKey || event.metaKey || inControl || (event.ctrlKey && !event.key.startsWith("Arrow"))) return;
  event.preventDefault();
  act(event.ctrlKey ? 60 : event.shiftKey ? 10 : 1);
});

function dress() { readPalette(); emit("theme"); }
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", dress);
new ResizeObserver(inFrame(() => emit("size"))).observe(document.querySelector("main"));

// For a print everything is drawn again in the light colours, also the climbs outside the window.
addEventListener("beforeprint", () => {
  document.documentElement.classList.add("paper-print");
  readPalette();
  redrawPlots.now();
  map.print();
  climbs.all();
  inputs.draw.now();
});
addEventListener("afterprint", () => {
  document.documentElement.classList.remove("paper-print");
  dress();
  map.fit();
});

readPalette();
if (content.summary.flight.takeoff_s !== null) state.t = content.summary.flight.takeoff_s;
addPanels(by("plots"), PANELS);
addPanels(by("health"), HEALTH);
map.draw();
strip.draw();
inputs.draw();
placeCursor();

/** For the console, and for the tests: where the page is, and its sound as numbers. */
window.flightPage = {
  state, player, setCursor, setView, sampleRate: kit.sample_rate_hz,
  render: (t, seconds) => new Synth(t).render(Math.round(seconds * kit.sample_rate_hz)),
};
// After two frames everything has been drawn once.
requestAnimationFrame(() => requestAnimationFrame(() => {
  document.documentElement.dataset.ready = Math.round(performance.now());
}));
