// Offers: PANELS, HEALTH, MEASURED, addPanels, redrawPlots, placeCursor. Panels over time that share cursor and zoom.
const plots = [];
// Width left and right of the plots. It is the same in all, so that equal times are one below the other.
const NARROW = matchMedia("(max-width: 600px)").matches;
const AXIS = NARROW ? 38 : 52, RIGHT = NARROW ? 18 : 44;

/** Panels and their lines are made from the catalogue of outputs (vario/app/page/panels.py). */
const PANELS = content.panels.flight.filter((panel) => !panel.optional
  || panel.series.some(([name]) => columns[name].some((value) => value !== null)));

const INKS = ["ink", "teal", "amber", "violet", "rose"];
const dashOf = (k) => (k < INKS.length ? null : [4, 3]); // more lines than colours: the others are dashed
const MEASURED = Object.keys(columns).filter((name) => name.endsWith("_sigmas")).map((name) => name.slice(0, -7));

const HEALTH = [
  { title: "Innovation", unit: "measurement minus prediction, in standard deviations", height: 140, zero: true, most: 6,
    series: MEASURED.map((name, k) => [`${name}_sigmas`, name, INKS[k % 5], 1, 1, dashOf(k)]) },
  { title: "Mean square of the innovation (NIS)", unit: "over 30 s; 1 expected", height: 140, log: true,
    series: MEASURED.map((name, k) => [`${name}_mean_nis`, name, INKS[k % 5], 1.6, 2, dashOf(k)]) },
  ...content.panels.estimate,
];

/** Mean over the last `window_s`; null where nothing is known. */
function running(name, windowS) {
  const t = columns.t_s, values = columns[name], means = new Array(t.length).fill(null);
  let sum = 0, count = 0, from = 0;
  for (let i = 0; i < t.length; i++) {
    if (values[i] !== null) { sum += values[i]; count++; }
    for (; t[from] < t[i] - windowS; from++) if (values[from] !== null) { sum -= values[from]; count--; }
    means[i] = values[i] !== null && count ? Math.max(sum / count, 1e-3) : null;
  }
  return means;
}
for (const name of MEASURED) columns[`${name}_mean_nis`] = running(`${name}_nis`, 30);

/** Lowest and highest value in each part of the view, so that a long flight is drawn as fast as a short one. */
function thinned(names, from, to, stretches) {
  const t = columns.t_s;
  const begin = Math.max(0, indexAt(from) - 1), end = Math.min(t.length, indexAt(to) + 2);
  const step = Math.ceil((end - begin) / stretches);
  if (step <= 2) return [t.slice(begin, end), ...names.map((name) => columns[name].slice(begin, end))];
  const times = [], rows = names.map(() => []);
  for (let at = begin; at < end; at += step) {
    const stop = Math.min(at + step, end);
    times.push(t[at], t[(at + stop) >> 1]);
    names.forEach((name, k) => {
      const values = columns[name];
      let low = null, high = null, firstIsLow = true;
      for (let i = at; i < stop; i++) {
        const value = values[i];
        if (value === null) continue;
        if (low === null || value < low) { low = value; firstIsLow = false; }
        if (high === null || value > high) { high = value; firstIsLow = true; }
      }
      if (firstIsLow) rows[k].push(low, high); else rows[k].push(high, low);
    });
  }
  return [times, ...rows];
}

function shadeModes(u) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  for (const [from, to, mode] of content.rows.modes) {
    if (to < state.view[0] || from > state.view[1] || mode === "cruise") continue;
    const a = u.valToPos(from, "x", true), b = u.valToPos(to, "x", true);
    ctx.fillStyle = colour(mode) || "transparent";
    ctx.fillRect(a, bbox.top, Math.max(b - a, 1), bbox.height);
  }
  ctx.restore();
}

function numberClimbs(u) {
  const { ctx, bbox } = u, scale = devicePixelRatio || 1;
  ctx.save();
  ctx.font = `600 ${11 * scale}px sans-serif`;
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  let free = -Infinity;
  content.climbs.forEach((climb, k) => {
    const x = u.valToPos((climb.start_s + climb.end_s) / 2, "x", true), r = 8.5 * scale;
    if (x < bbox.left + r || x > bbox.left + bbox.width - r || x < free) return;
    free = x + 2.1 * r;
    ctx.fillStyle = colour("ink");
    ctx.beginPath();
    ctx.arc(x, bbox.top + r + 2, r, 0, 7);
    ctx.fill();
    ctx.fillStyle = colour("card");
    ctx.fillText(k + 1, x, bbox.top + r + 3);
  });
  ctx.restore();
}

function drawMarks(u, named) {
  const { ctx, bbox } = u, scale = devicePixelRatio || 1;
  ctx.save();
  ctx.strokeStyle = ctx.fillStyle = colour("ink");
  ctx.lineWidth = scale;
  ctx.setLineDash([2 * scale, 3 * scale]);
  ctx.font = `${11 * scale}px sans-serif`;
  ctx.textBaseline = "bottom";
  ctx.textAlign = "left";
  let free = -Infinity;
  content.summary.marks.forEach(({ t_s: at, text }) => {
    const x = u.valToPos(at, "x", true);
    if (x < bbox.left || x > bbox.left + bbox.width) return;
    ctx.beginPath();
    ctx.moveTo(x, bbox.top);
    ctx.lineTo(x, bbox.top + bbox.height);
    ctx.stroke();
    if (!named || x < free) return;
    const short = text.length > 40 ? `${text.slice(0, 39)}…` : text;
    const wide = ctx.measureText(short).width, end = bbox.left + bbox.width;
    const left = Math.max(Math.min(x + 3 * scale, end - wide), free, bbox.left);
    if (left + wide > end) return; // no room for it here; the list of marks has it
    ctx.fillText(short, left, bbox.top + bbox.height - 3 * scale);
    free = left + wide + 8 * scale;
  });
  ctx.restore();
}

function drawLevel(u, value, scale = "y") {
  const y = u.valToPos(value, scale, true), { ctx, bbox } = u;
  if (!(y > bbox.top && y < bbox.top + bbox.height)) return;
  ctx.save();
  ctx.strokeStyle = colour("soft");
  ctx.globalAlpha = 0.7;
  ctx.lineWidth = devicePixelRatio || 1;
  ctx.beginPath();
  ctx.moveTo(bbox.left, y);
  ctx.lineTo(bbox.left + bbox.width, y);
  ctx.stroke();
  ctx.restore();
}

function addPanels(place, panels) {
  for (const panel of panels) {
    const series = panel.series.filter(([name]) => KNOWN(name));
    if (series.length) addPanel(place, panel, series);
  }
  if (!place.childElementCount) place.append(element("p", { class: "empty" }, "This recording holds nothing to show here."));
}

function addPanel(place, panel, series) {
  const box = element("div", { class: "panel" });
  const head = element("header", {}, element("h3", {}, panel.title, " ", element("small", {}, panel.unit)));
  const target = element("div");
  box.append(head, target);
  place.append(box);
  const names = series.map(([name]) => name);
  const second = series.find((one) => one[6]);
  const line = ([, label, ink, width, , dash, unit]) => ({
    label, stroke: () => colour(ink), width, dash: dash || undefined, points: { show: false }, spanGaps: false,
    scale: unit ? "second" : "y",
  });
  const ticks = { stroke: () => colour("soft"), grid: { stroke: () => colour("grid"), width: 1 }, ticks: { show: false },
    font: '12px "Avenir Next", Avenir, "Segoe UI", Ubuntu, "DejaVu Sans", sans-serif' };
  const y = panel.log
    ? { distr: 3, range: (u, low, high) => [Math.min(0.1, decade(low || 0.1)), Math.max(10, high || 10)] }
    : { range: (u, low, high) => spread(low, high, panel) };
  const u = new uPlot({
    width: Math.max(target.clientWidth, 200), height: panel.height,
    padding: [panel.log ? 8 : 4, second ? 0 : RIGHT, 0, 0],
    legend: { show: false },
    cursor: { y: false, points: { show: false }, drag: { x: true, y: false, setScale: false } },
    scales: { x: { time: false, range: () => state.view }, y, ...(second ? { second: { range: () => [-12, 372] } } : {}) },
    axes: [
      { ...ticks, size: 26, incrs: [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200],
        splits: timeSplits, values: (_, at, axis, space, increment) => at.map((t) => (t === null ? "" : when(t, increment < 60))) },
      { ...ticks, size: AXIS, space: 24, values: (_, at) => at.map((v) => (v === null ? "" : panel.log ? logLabel(v) : minus(+v.toFixed(2)))) },
      ...(second ? [{ ...ticks, side: 1, size: RIGHT, scale: "second", grid: { show: false }, splits: () => [0, 90, 180, 270, 360],
        values: () => ["N", "E", "S", "W", "N"] }] : []),
    ],
    series: [{}, ...series.map(line)],
    hooks: {
      drawClear: [shadeModes],
      draw: [(self) => {
        if (panel.zero) drawLevel(self, 0);
        if (panel.log) drawLevel(self, 1);
        drawMarks(self, panel.climbs);
        if (panel.climbs) numberClimbs(self);
      }],
      setSelect: [(self) => {
        const { left, width } = self.select;
        if (width < 4) return;
        setView(self.posToVal(left, "x"), self.posToVal(left + width, "x"));
        self.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
      }],
      setCursor: [(self) => {
        if (self.followed) return;
        setHover(self.cursor.left >= 0 ? self.posToVal(self.cursor.left, "x") : null);
      }],
    },
  }, thinned(names, ...state.view, 1200), target);
  const playhead = element("div", { class: "playhead" });
  u.over.append(playhead);
  let pressedAt = null;
  u.over.addEventListener("pointerdown", (event) => { pressedAt = event.clientX; });
  u.over.addEventListener("pointerup", (event) => {
    if (pressedAt !== null && Math.abs(event.clientX - pressedAt) < 4 && event.button === 0) {
      setCursor(u.posToVal(event.clientX - u.over.getBoundingClientRect().left, "x"), "hand");
    }
    pressedAt = null;
  });
  u.over.addEventListener("dblclick", (event) => { event.preventDefault(); setView(...state.whole); });
  const chips = series.map(([name, label, ink, , digits, dash, unit], k) => {
    const value = element("b", {}, "–");
    const chip = element("button", { type: "button", class: dash ? "chip dashed" : "chip", "aria-pressed": "true",
      style: `--c: var(--${ink})`, title: `show or hide ${label}` }, element("i"), label, value);
    chip.addEventListener("click", () => {
      const shown = chip.getAttribute("aria-pressed") !== "true";
      chip.setAttribute("aria-pressed", shown);
      u.setSeries(k + 1, { show: shown });
    });
    head.append(chip);
    return { name, value, digits, unit: unit || "" };
  });
  plots.push({ u, target, panel, names, playhead, chips });
}

function spread(low, high, { zero, most, from }) {
  if (low === null || !isFinite(low)) return [0, 1];
  if (most) { low = Math.max(low, -most); high = Math.min(high, most); }
  if (from !== undefined) return [from, Math.max(high * 1.12, from + 0.1)];
  if (zero) { low = Math.min(low, 0); high = Math.max(high, 0); }
  const margin = Math.max((high - low) * 0.07, 0.05);
  return [low - margin, high + margin];
}

/** The power of ten at or below a value. uPlot counts ticks from the lower end; from another one it may count without end. */
const decade = (v) => Number(`1e${Math.max(Math.floor(Math.log10(v)), -9)}`);

const logLabel = (v) => ([0.01, 0.1, 1, 10, 100, 1000].includes(+v.toPrecision(3)) ? String(+v.toPrecision(1)) : "");

/** Ticks at round times since the beginning. */
function timeSplits(u, axis, low, high, increment) {
  const at = [];
  for (let n = Math.ceil((low - axisZero) / increment); n * increment + axisZero <= high; n += 1) at.push(n * increment + axisZero);
  return at;
}

const redrawPlots = inFrame(() => {
  for (const { u, target, panel, names } of plots) {
    const width = target.clientWidth;
    if (width && width !== u.width) u.setSize({ width, height: panel.height });
    u.setData(thinned(names, ...state.view, 1200), false);
    u.batch(() => {
      u.setScale("x", { min: state.view[0], max: state.view[1] });
      u.redraw(true, true);
    });
  }
  placeCursor.now();
});

const placeCursor = inFrame(() => {
  const t = state.hover ?? state.t, row = indexAt(t);
  const known = columns.t_s.length && Math.abs(columns.t_s[row] - t) < 5;
  for (const { u, playhead, chips } of plots) {
    const x = u.valToPos(state.t, "x");
    playhead.style.transform = `translateX(${x - 1}px)`;
    playhead.hidden = x < -1 || x > u.over.clientWidth + 1;
    for (const { name, value, digits, unit } of chips) {
      const number = known ? columns[name][row] : null;
      const text = number === null ? "–" : plain(number, digits) + unit;
      if (value.textContent !== text) value.textContent = text;
    }
    u.followed = true;
    const pointed = state.hover === null ? -10 : u.valToPos(state.hover, "x");
    u.setCursor({ left: pointed, top: pointed < 0 ? -10 : 10 });
    u.followed = false;
  }
});

listen("view", redrawPlots);
listen("theme", redrawPlots);
listen("size", redrawPlots);
listen("cursor", placeCursor);
listen("hover", placeCursor);
