// Offers: content, columns, tones, bytesOf, KNOWN, first, last, state, listen, emit, setCursor, setView, zoom, setHover,
// indexAt, clock, when, utc, startUtc, axisZero, minus, plain, signed, inUnit, element
const content = JSON.parse(document.getElementById("data").textContent);
const KINDS = { i8: [Int8Array, -128], i16: [Int16Array, -32768], i32: [Int32Array, -2147483648] };

function bytesOf(text) {
  const binary = atob(text);
  const bytes = new Uint8Array(binary.length);
  for (let i = 0; i < bytes.length; i++) bytes[i] = binary.charCodeAt(i);
  return bytes;
}

/** A packed column as numbers, null for no data. */
function unpack({ type, step, offset, data }) {
  const [Kind, none] = KINDS[type];
  const raw = new Kind(bytesOf(data).buffer);
  const values = new Array(raw.length);
  for (let i = 0; i < raw.length; i++) values[i] = raw[i] === none ? null : offset + step * raw[i];
  return values;
}

const columns = Object.fromEntries(Object.entries(content.rows.columns).map(([name, c]) => [name, unpack(c)]));
const tones = Object.fromEntries(Object.entries(content.tones.commands).map(([name, c]) => [name, unpack(c)]));

/** A gap in the rows interrupts the lines: a row without values is inserted into each gap. */
(function openBreaks() {
  const t = columns.t_s;
  if (t.length < 3) return;
  const steps = [];
  for (let i = 1; i < t.length; i += Math.max(1, Math.floor(t.length / 500))) steps.push(t[i] - t[i - 1]);
  steps.sort((a, b) => a - b);
  const longest = Math.max(5, 5 * steps[steps.length >> 1]);
  const breaks = [];
  for (let i = 1; i < t.length; i++) if (t[i] - t[i - 1] > longest) breaks.push(i);
  if (!breaks.length) return;
  for (const [name, old] of Object.entries(columns)) {
    const kept = [];
    let from = 0;
    for (const at of breaks) {
      for (let i = from; i < at; i++) kept.push(old[i]);
      kept.push(name === "t_s" ? old[at - 1] + 0.01 : null);
      from = at;
    }
    for (let i = from; i < old.length; i++) kept.push(old[i]);
    columns[name] = kept;
  }
})();

const KNOWN = (name) => columns[name].some((value) => value !== null);
const first = columns.t_s.length ? columns.t_s[0] : 0;
const last = columns.t_s.length ? columns.t_s[columns.t_s.length - 1] : 1;

/** The state of the page: the time of the cursor, the interval shown, the time pointed at (or null). */
const state = { t: first, view: [first, Math.max(last, first + 1)], whole: [first, Math.max(last, first + 1)], hover: null };
const listeners = { cursor: [], view: [], hover: [], theme: [], size: [] };
const listen = (name, act) => listeners[name].push(act);
const emit = (name, ...rest) => listeners[name].forEach((act) => act(...rest));

function setCursor(t, how) {
  state.t = Math.min(Math.max(t, state.whole[0]), state.whole[1]);
  if (how !== "playing") {
    const [from, to] = state.view;
    if (state.t < from || state.t > to) setView(state.t - (to - from) / 2, state.t + (to - from) / 2);
  } else if (state.t > state.view[1]) {
    setView(state.t, state.t + state.view[1] - state.view[0]);
  }
  emit("cursor", how);
}

function setView(from, to) {
  const [least, most] = state.whole;
  const span = Math.min(Math.max(to - from, 2), most - least);
  from = Math.min(Math.max(from, least), most - span);
  if (from === state.view[0] && from + span === state.view[1]) return;
  state.view = [from, from + span];
  emit("view");
}

function zoom(factor) {
  const [from, to] = state.view;
  const about = state.t >= from && state.t <= to ? state.t : (from + to) / 2;
  setView(about - (about - from) * factor, about + (to - about) * factor);
}

function setHover(t) {
  if (t === state.hover) return;
  state.hover = t;
  emit("hover");
}

/** Index of the last row at or before a time. */
function indexAt(t, times = columns.t_s) {
  let low = 0, high = times.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (times[middle] <= t) low = middle; else high = middle - 1;
  }
  return low;
}

function clock(t, tenths = false) {
  const since = Math.max(0, t - first);
  const s = tenths ? Math.round(since * 10) / 10 : Math.round(since);
  const pad = (n) => String(n).padStart(2, "0");
  const seconds = tenths ? (s % 60).toFixed(1).padStart(4, "0") : pad(s % 60);
  const h = Math.floor(s / 3600), m = Math.floor(s / 60) % 60;
  return h ? `${h}:${pad(m)}:${seconds}` : `${m}:${seconds}`;
}

const startUtc = content.summary.start_utc ? Date.parse(content.summary.start_utc) : null;
/** A time for people: UTC where it is known, otherwise since the beginning. */
function when(t, seconds = true) {
  return startUtc === null ? clock(t) : new Date(startUtc + t * 1000).toISOString().slice(11, seconds ? 19 : 16);
}
/** Zero of the time axis, s: the ticks are whole minutes or hours from it. */
const axisZero = startUtc === null ? first : -(startUtc % 86400000) / 1000;
const utc = (t) => (startUtc === null ? null : new Date(startUtc + t * 1000).toISOString().slice(11, 19) + " UTC");
const minus = (text) => String(text).replace("-", "−");
/** A number for people; a negative value that rounds to zero has no sign. */
const plain = (value, digits) => minus((Math.abs(value) < 0.5 * 10 ** -digits ? 0 : value).toFixed(digits));
const signed = (value, digits) => plain(value, digits).replace(/^(?!−)/, "+");
/** An SI value in the unit that the settings choose for its measure, as text. The columns are in these units already. */
function inUnit(si, measure, write = plain) {
  const [symbol, factor, digits] = content.units[measure];
  return `${write(si * factor, digits)} ${symbol}`;
}

function element(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "style") made.style.cssText = value; else made.setAttribute(name, value);
  }
  made.append(...children);
  return made;
}
