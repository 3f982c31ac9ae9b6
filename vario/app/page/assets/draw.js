// Offers: readPalette, colour, MODES, FULL_MPS, shade, shadeColour, airColour, sharp, inFrame, scaleBar, arrow
let palette = {};
function readPalette() {
  const style = getComputedStyle(document.documentElement);
  palette = {};
  for (const name of ["paper", "card", "ink", "soft", "line", "grid", "teal", "amber", "violet", "rose", "accent",
    "cruise", "circling", "approach", "launch", "ground", "sink3", "sink1", "still", "lift1", "lift3"]) {
    palette[name] = style.getPropertyValue(`--${name}`).trim();
  }
  ramp = null;
}
const colour = (name) => palette[name];
const MODES = ["circling", "approach", "launch", "ground", "cruise"];

const FULL_MPS = 4;
const SHADES = 33;
let ramp = null;

function mix(a, b, share) {
  const parse = (hex) => [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16));
  const [from, to] = [parse(a), parse(b)];
  return `rgb(${from.map((value, k) => Math.round(value + share * (to[k] - value))).join(",")})`;
}

/** Shade number of a vertical motion of the air, m/s; colours are equal steps on both sides of still air. */
const shade = (mps) => Math.round((Math.min(Math.max(mps / FULL_MPS, -1), 1) + 1) / 2 * (SHADES - 1));
function shadeColour(number) {
  if (!ramp) {
    const stops = ["sink3", "sink1", "still", "lift1", "lift3"].map(colour);
    ramp = Array.from({ length: SHADES }, (_, k) => {
      const place = k / (SHADES - 1) * (stops.length - 1), at = Math.min(Math.floor(place), stops.length - 2);
      return mix(stops[at], stops[at + 1], place - at);
    });
  }
  return ramp[number];
}
const airColour = (mps) => shadeColour(shade(mps));

/** A canvas cleared and scaled to the screen's pixels; drawing is in CSS pixels. */
function sharp(canvas, height) {
  const scale = Math.min(window.devicePixelRatio || 1, 2);
  const w = canvas.clientWidth, h = height || canvas.clientHeight;
  if (canvas.width !== Math.round(w * scale) || canvas.height !== Math.round(h * scale)) {
    canvas.width = Math.round(w * scale);
    canvas.height = Math.round(h * scale);
  }
  const c = canvas.getContext("2d");
  c.setTransform(scale, 0, 0, scale, 0, 0);
  c.clearRect(0, 0, w, h);
  c.font = '12px "Avenir Next", Avenir, "Segoe UI", Ubuntu, "Helvetica Neue", "DejaVu Sans", sans-serif';
  return { c, w, h };
}

/** A function that requests the work; however often it is called, the work is done once per frame. */
function inFrame(work) {
  let asked = false;
  const ask = () => {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => { asked = false; work(); });
  };
  ask.now = work;
  return ask;
}

/** A round length for a scale bar of at most `most`: 1, 2 or 5 times a power of ten. */
function roundLength(most) {
  const power = Math.pow(10, Math.floor(Math.log10(most)));
  return power * (most / power >= 5 ? 5 : most / power >= 2 ? 2 : 1);
}

function scaleBar(c, x, y, perMetre, most) {
  const { height, distance } = content.units, longest = most / perMetre;
  const [symbol, factor] = longest * distance[1] >= 1 ? distance : height;
  const round = roundLength(longest * factor), length = round / factor * perMetre;
  c.strokeStyle = colour("ink");
  c.lineWidth = 1.5;
  c.beginPath();
  c.moveTo(x, y - 4); c.lineTo(x, y); c.lineTo(x + length, y); c.lineTo(x + length, y - 4);
  c.stroke();
  c.fillStyle = colour("soft");
  c.textAlign = "left";
  c.fillText(`${round} ${symbol}`, x + 4, y - 5);
}

function arrow(c, x, y, angle, length, head = 6) {
  const [dx, dy] = [Math.sin(angle), -Math.cos(angle)];
  const [tx, ty] = [x + dx * length, y + dy * length];
  c.beginPath();
  c.moveTo(x, y); c.lineTo(tx, ty);
  c.moveTo(tx - dx * head - dy * head * 0.55, ty - dy * head + dx * head * 0.55);
  c.lineTo(tx, ty);
  c.lineTo(tx - dx * head + dy * head * 0.55, ty - dy * head - dx * head * 0.55);
  c.stroke();
}
