// Offers: climbs. One card for each climb: the lift around the circle, and the climb in the drifting air.
const climbs = (() => {
  const place = document.getElementById("climbs"), cards = [];

  function ring(canvas, climb, picture) {
    const { c, w, h } = sharp(canvas), cx = w / 2, cy = h / 2, most = w / 2 - 18;
    if (!picture) {
      c.fillStyle = colour("soft");
      c.textAlign = "center";
      c.fillText("no full turn", cx, cy);
      return;
    }
    const all = climb.circles.flatMap(({ last: a, mean: b }) => [...a, ...b]).filter((value) => value !== null);
    const top = all.reduce((a, b) => Math.max(a, b), 20), bottom = all.reduce((a, b) => Math.min(a, b), -5);
    const radius = (tenths) => most * (0.12 + 0.88 * (tenths - bottom) / (top - bottom));
    const sector = 2 * Math.PI / picture.mean.length;
    // A sector is a heading. Seen from the centre, the glider with this heading is a quarter turn beside it.
    const aside = picture.right ? -Math.PI / 2 : Math.PI / 2, up = aside - Math.PI / 2;
    picture.mean.forEach((value, k) => {
      if (value === null) return;
      c.fillStyle = airColour(value / 10);
      c.beginPath();
      c.moveTo(cx, cy);
      c.arc(cx, cy, radius(value), k * sector + up + 0.012, (k + 1) * sector + up - 0.012);
      c.fill();
    });
    c.strokeStyle = colour("ink");
    c.lineWidth = 1.4;
    c.beginPath();
    let joined = false;
    picture.last.forEach((value, k) => {
      if (value === null) { joined = false; return; }
      const [from, to] = [k * sector + up, (k + 1) * sector + up];
      if (!joined) c.moveTo(cx + radius(value) * Math.cos(from), cy + radius(value) * Math.sin(from));
      c.arc(cx, cy, radius(value), from, to);
      joined = true;
    });
    c.stroke();
    c.setLineDash([3, 4]);
    c.strokeStyle = colour("soft");
    c.lineWidth = 1;
    c.beginPath();
    c.arc(cx, cy, radius(0), 0, 7);
    c.stroke();
    c.setLineDash([]);
    if (picture.strongest !== null) {
      const angle = picture.strongest * Math.PI / 180 + aside, r = most + 8;
      c.fillStyle = colour("accent");
      c.beginPath();
      c.moveTo(cx + (r - 8) * Math.sin(angle), cy - (r - 8) * Math.cos(angle));
      c.lineTo(cx + (r + 5) * Math.sin(angle - 0.07), cy - (r + 5) * Math.cos(angle - 0.07));
      c.lineTo(cx + (r + 5) * Math.sin(angle + 0.07), cy - (r + 5) * Math.cos(angle + 0.07));
      c.fill();
    }
    c.fillStyle = colour("soft");
    c.textAlign = "center";
    if (picture.from_north) c.fillText("N", cx, 11);
    c.textAlign = "left";
    c.fillText(picture.right ? "turning right ↻" : "turning left ↺", 2, h - 3);
  }

  /** The track, and beside it a continuous band as wide as the climb there: lift outside the circle, sink inside. */
  function curtain(c, track, climb, pixelsPerMps) {
    if (track.length < 2) return;
    const outside = climb.circles.length && !climb.circles[0].right ? -1 : 1;
    const edge = track.map(([x, y, mps], k) => {
      const [x0, y0] = track[Math.max(0, k - 1)], [x1, y1] = track[Math.min(track.length - 1, k + 1)];
      const off = outside * mps * pixelsPerMps / (Math.hypot(x1 - x0, y1 - y0) || 1);
      return [x + (y1 - y0) * off, y - (x1 - x0) * off];
    });
    // The last turn is strong and the earlier ones are faint, so that many turns stay readable.
    const turn = (climb.end_s - climb.start_s) / Math.max(climb.turns, 1), newest = track[track.length - 1][3] - turn;
    const begin = Math.max(1, track.findIndex((p) => p[3] >= newest));
    for (const [from, to, alpha] of [[1, begin, 0.1], [begin, track.length, 0.5]]) {
      c.globalAlpha = alpha;
      for (let k = from; k < to; k++) {
        c.fillStyle = colour(track[k][2] >= 0 ? "amber" : "violet");
        c.beginPath();
        c.moveTo(track[k - 1][0], track[k - 1][1]);
        c.lineTo(track[k][0], track[k][1]);
        c.lineTo(...edge[k]);
        c.lineTo(...edge[k - 1]);
        c.fill();
      }
      c.globalAlpha = Math.min(1, 2.4 * alpha);
      c.strokeStyle = colour("ink");
      c.lineWidth = 1.3;
      c.beginPath();
      for (let k = from - 1; k < to; k++) c.lineTo(track[k][0], track[k][1]);
      c.stroke();
    }
    c.globalAlpha = 1;
  }

  function above(canvas, climb, t) {
    const { c, w, h } = sharp(canvas), { points } = climb;
    if (!points.length) {
      c.fillStyle = colour("soft");
      c.textAlign = "center";
      c.fillText("no positions", w / 2, h / 2);
      return;
    }
    // A shift on the way in must not make the circles small.
    const far = points.map(([e, n]) => Math.hypot(e, n)).sort((a, b) => a - b);
    const reach = Math.max(100, far[Math.floor(far.length * 0.96)] * 1.25), scale = (Math.min(w, h) / 2 - 8) / reach;
    const at = ([e, n]) => [w / 2 + e * scale, h / 2 - n * scale];
    const shown = points.filter((p) => t === null || p[3] <= t);
    curtain(c, shown.map((p) => [...at(p), p[2], p[3]]), climb, scale * reach * 0.11);
    if (t !== null) {
      const now = points[indexAt(t, points.map((p) => p[3]))];
      c.beginPath();
      c.arc(...at(now), 6, 0, 7);
      c.fillStyle = colour("accent");
      c.fill();
      c.strokeStyle = colour("card");
      c.lineWidth = 2;
      c.stroke();
    }
    scaleBar(c, 6, h - 6, scale, 70);
  }

  const say = (picture) => {
    if (!picture) return "";
    const [, factor, digits] = content.units.vertical_speed;
    const middle = `Around the circle ${inUnit(picture.middle, "vertical_speed", signed)}`;
    const more = `${plain(picture.asymmetry * factor, digits)} ± ${inUnit(picture.sigma, "vertical_speed")}`;
    if (picture.strongest === null) return `${middle}, evenly (${more}).`;
    const where = picture.from_north ? ` towards ${(picture.strongest + (picture.right ? 270 : 90)) % 360}°` : "";
    const shift = picture.shift_m ? ` Move the circle ${inUnit(picture.shift_m, "height")} towards ${picture.shift_deg}°.` : "";
    return `${middle}, strongest${where} by ${more}.${shift}`;
  };

  content.climbs.forEach((climb, k) => {
    const lasts = climb.end_s - climb.start_s;
    const button = element("button", { type: "button", title: "Show this climb" },
      element("span", { class: "badge" }, String(k + 1)),
      element("span", {}, element("span", { class: "big" }, inUnit(climb.average_mps, "vertical_speed", signed)), " ",
        element("span", { class: "quiet" }, `${inUnit(climb.gain_m, "height", signed)} in ${clock(first + lasts)}, ${climb.turns.toFixed(1)} turns ${climb.direction}, from ${utc(climb.start_s) || when(climb.start_s)}`)));
    const [circle, from] = [element("canvas", { role: "img", "aria-label": `Lift around the circle, climb ${k + 1}` }),
      element("canvas", { role: "img", "aria-label": `Climb ${k + 1} from above` })];
    const words = element("p");
    const card = element("article", { class: "climb" }, button, element("div", { class: "pictures" }, circle, from), words);
    button.addEventListener("click", () => go(k));
    place.append(card);
    cards.push({ climb, card, circle, from, words, shown: undefined });
  });
  if (!cards.length) document.getElementById("climbs-section").hidden = true;

  function go(k) {
    const { start_s: start, end_s: end } = content.climbs[k], around = (end - start) * 0.15 + 10;
    setView(start - around, end + around);
    setCursor(start, "hand");
  }

  const drawOne = (one, force) => {
    const t = state.hover ?? state.t, { climb } = one;
    const inside = t >= climb.start_s && t <= climb.end_s;
    const key = inside ? Math.floor(t) : -1;
    if (!force && one.shown === key) return;
    one.shown = key;
    one.card.classList.toggle("here", inside);
    let picture = climb.circles[climb.circles.length - 1];
    if (inside) picture = climb.circles.filter((p) => p.t <= t).pop();
    ring(one.circle, climb, picture);
    above(one.from, climb, inside ? t : null);
    one.words.textContent = say(picture);
  };

  // A card outside the window is drawn when it enters the window.
  const seen = new IntersectionObserver((entries) => {
    for (const { target, isIntersecting } of entries) {
      const one = cards.find(({ card }) => card === target);
      one.visible = isIntersecting;
      if (isIntersecting) drawOne(one, true);
    }
  }, { rootMargin: "200px" });
  cards.forEach(({ card }) => seen.observe(card));

  const draw = inFrame(() => cards.forEach((one) => one.visible && drawOne(one, false)));
  const all = () => cards.forEach((one) => drawOne(one, true));
  listen("cursor", draw);
  listen("hover", draw);
  listen("theme", inFrame(() => cards.forEach((one) => { one.shown = undefined; if (one.visible) drawOne(one, true); })));
  listen("size", inFrame(() => cards.forEach((one) => one.visible && drawOne(one, true))));
  return {
    all,
    next(step) {
      const starts = content.climbs.map((climb) => climb.start_s);
      const k = step > 0 ? starts.findIndex((s) => s > state.t + 0.5) : starts.findLastIndex((s) => s < state.t - 0.5);
      if (k >= 0) go(k);
    },
  };
})();
