// Offers: inputs. Heading, warnings, samples, and a sentence on the consistency of the estimator.
(() => {
  const { summary } = content, { flight } = summary, id = (name) => document.getElementById(name);
  document.title = summary.title || "Flight";
  id("over-time").textContent = startUtc === null ? "Over time since the beginning" : "Over time, UTC";
  id("title").textContent = summary.title || "Flight";
  const duration = () => {
    const s = Math.round(flight.duration_s), h = Math.floor(s / 3600), m = Math.floor(s / 60) % 60;
    return h ? `${h} h ${String(m).padStart(2, "0")} min` : `${m} min ${String(s % 60).padStart(2, "0")} s`;
  };
  const facts = [duration()];
  if (summary.start_utc) facts.unshift(summary.start_utc.slice(0, 10));
  if (flight.lowest_m !== null) {
    const [, factor, digits] = content.units.height;
    facts.push(`${plain(flight.lowest_m * factor, digits)} to ${inUnit(flight.highest_m, "height")}`);
  }
  if (content.climbs.length) {
    const gain = content.climbs.reduce((sum, climb) => sum + climb.gain_m, 0);
    facts.push(`${content.climbs.length} climb${content.climbs.length > 1 ? "s" : ""}, ${inUnit(gain, "height", signed)}`);
  }
  if (flight.circling_share !== null) facts.push(`${Math.round(flight.circling_share * 100)} % circling`);
  facts.push(summary.glider || "no glider file", summary.origin);
  id("facts").textContent = facts.join("  ·  ");

  for (const mode of MODES.filter((name) => content.rows.modes.some(([, , m]) => m === name))) {
    id("modes").append(element("span", {}, element("i", { style: `background: var(--${mode})` }), mode));
  }
  if (summary.warnings.length) {
    id("warnings").hidden = false;
    id("warnings").querySelector("ul").append(...summary.warnings.map((text) => element("li", {}, text)));
  }

  for (const { t_s: at, text } of summary.marks) {
    const button = element("button", { type: "button", title: "Go to this mark (m)" },
      element("b", {}, when(at)), " ", text);
    button.addEventListener("click", () => setCursor(at, "hand"));
    id("marks").append(button);
    id("marks").hidden = false;
  }

  const what = map.byNetto ? "air (netto)" : "glider (vario: no netto here)";
  const full = (mps) => inUnit(mps, "vertical_speed", (value) => signed(value, 0));
  id("scale").append(full(-FULL_MPS).split(" ")[0], element("i"), full(FULL_MPS), element("span", {}, what));

  const middle = (name) => {
    const known = columns[name].filter((value) => value !== null).sort((a, b) => a - b);
    return known.length ? known[known.length >> 1] : null;
  };
  const said = MEASURED.flatMap((name) => {
    const value = middle(`${name}_mean_nis`);
    if (value === null) return [];
    const verdict = value > 2 ? "larger than the estimator states" : value < 0.5 ? "smaller than the estimator states" : "consistent";
    return [`${name} ${value.toFixed(2)} (${verdict})`];
  });
  id("verdict").textContent = said.length ? `Median of the mean square: ${said.join(", ")}.` : "";

  const rows = Object.entries(summary.samples).map(([name, { in: came, used, rejected }]) => element("tr", {},
    element("td", {}, name), element("td", {}, came.toLocaleString("en")), element("td", {}, used.toLocaleString("en")),
    element("td", { class: "text" }, Object.entries(rejected).map(([why, n]) => `${n} × ${why}`).join("; ") || "none")));
  const heads = ["channel", "in the recording", "used", "left out"].map((text, k) => element("th", k === 3 ? { style: "text-align:left" } : {}, text));
  id("samples").append(element("table", {}, element("thead", {}, element("tr", {}, ...heads)), element("tbody", {}, ...rows)));
})();

/** Data quality: what was missing, and when; a line for each flag, along the same time as the plots. */
const inputs = (() => {
  const flags = new Map();
  for (const [from, to, words] of content.rows.qualities) {
    for (const word of words.split("+")) {
      if (word === "ok") continue;
      if (!flags.has(word)) flags.set(word, []);
      flags.get(word).push([from, to]);
    }
  }
  const place = document.getElementById("inputs");
  if (!flags.size) {
    place.append(element("p", { class: "lead" }, "All inputs were there all the time."));
    return { draw: inFrame(() => {}) };
  }
  const canvas = element("canvas", { role: "img", "aria-label": "Data quality over time" });
  place.append(element("div", { class: "inputs-strip" }, element("h3", { style: "font-size:.82rem;margin:0" }, "Data quality"), canvas));
  const draw = inFrame(() => {
    const height = flags.size * 24 + 4;
    canvas.style.height = `${height}px`;
    const { c, w } = sharp(canvas, height), left = 118, right = w - 52, [from, to] = state.view;
    let y = 4;
    for (const [word, stretches] of flags) {
      c.fillStyle = colour("soft");
      c.textAlign = "right";
      c.fillText(word.replace(/_/g, " "), left - 10, y + 13);
      c.fillStyle = colour("grid");
      c.fillRect(left, y + 3, right - left, 13);
      c.fillStyle = colour("rose");
      for (const [a, b] of stretches) {
        const x0 = Math.max(left, left + (a - from) / (to - from) * (right - left));
        const x1 = Math.min(right, left + (b - from) / (to - from) * (right - left));
        if (x1 > left && x0 < right) c.fillRect(x0, y + 3, Math.max(x1 - x0, 1.5), 13);
      }
      y += 24;
    }
  });
  ["view", "theme", "size"].forEach((event) => listen(event, draw));
  return { draw };
})();
