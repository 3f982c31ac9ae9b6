// Offers: map. The track from above, coloured by the motion of the air; pan, zoom, point, click.
const map = (() => {
  const box = document.getElementById("map"), [base, overlay] = box.querySelectorAll("canvas");
  const t = columns.t_s, north = columns.north_m, east = columns.east_m;
  const air = KNOWN("netto") ? columns.netto : columns.vario;
  const rows = [];
  for (let i = 0; i < t.length; i++) if (north[i] !== null) rows.push(i);
  const rowTimes = rows.map((i) => t[i]);
  let view = null; // metres east and north of the middle, pixels a metre

  function fit() {
    let [e0, e1, n0, n1] = [Infinity, -Infinity, Infinity, -Infinity];
    for (const i of rows) {
      e0 = Math.min(e0, east[i]); e1 = Math.max(e1, east[i]);
      n0 = Math.min(n0, north[i]); n1 = Math.max(n1, north[i]);
    }
    const w = box.clientWidth - 56, h = box.clientHeight - 70;
    view = { e: (e0 + e1) / 2, n: (n0 + n1) / 2, scale: Math.min(w / Math.max(e1 - e0, 200), h / Math.max(n1 - n0, 200)) };
  }

  const x = (i) => base.clientWidth / 2 + (east[i] - view.e) * view.scale;
  const y = (i) => base.clientHeight / 2 - (north[i] - view.n) * view.scale;

  const draw = inFrame(() => {
    const { c, w, h } = sharp(base);
    if (!rows.length) {
      c.fillStyle = colour("soft");
      c.textAlign = "center";
      c.fillText("No positions in this recording", w / 2, h / 2);
      return;
    }
    if (!view) fit();
    const inView = { faint: new Path2D(), shades: new Map() };
    let lastX = NaN, lastY = NaN, lastT = -Infinity, best = null;
    const begin = indexAt(state.view[0]), end = indexAt(state.view[1]);
    for (const i of rows) {
      const px = x(i), py = y(i), joined = t[i] - lastT < 10;
      const strength = air[i] === null ? 0 : air[i];
      if (best === null || Math.abs(strength) > Math.abs(best)) best = strength;
      // A step of less than two pixels is drawn together with the next ones.
      if (joined && Math.abs(px - lastX) + Math.abs(py - lastY) < 2) continue;
      if (joined && Math.max(px, lastX) > 0 && Math.min(px, lastX) < w && Math.max(py, lastY) > 0 && Math.min(py, lastY) < h) {
        let path = inView.faint;
        if (i >= begin && i <= end) {
          const number = shade(best / content.units.vertical_speed[1]);
          if (!inView.shades.has(number)) inView.shades.set(number, new Path2D());
          path = inView.shades.get(number);
        }
        path.moveTo(lastX, lastY);
        path.lineTo(px, py);
      }
      [lastX, lastY, lastT, best] = [px, py, t[i], null];
    }
    c.lineCap = "round";
    c.strokeStyle = colour("line");
    c.lineWidth = 2;
    c.stroke(inView.faint);
    const order = [...inView.shades.keys()].sort((a, b) => Math.abs(a - 16) - Math.abs(b - 16));
    for (const number of order) {
      c.strokeStyle = shadeColour(number);
      c.lineWidth = 2 + 1.4 * Math.abs(number - 16) / 16;
      c.stroke(inView.shades.get(number));
    }
    c.textBaseline = "middle";
    content.climbs.forEach((climb, k) => {
      const i = rows[indexAt((climb.start_s + climb.end_s) / 2, rowTimes)];
      if (i === undefined) return;
      const px = x(i), py = y(i);
      c.fillStyle = colour("ink");
      c.strokeStyle = colour("card");
      c.lineWidth = 1.5;
      c.beginPath();
      c.arc(px, py, 9, 0, 7);
      c.fill();
      c.stroke();
      c.fillStyle = colour("card");
      c.textAlign = "center";
      c.font = "600 11px sans-serif";
      c.fillText(k + 1, px, py + 0.5);
    });
    c.textBaseline = "alphabetic";
    c.font = "12px sans-serif";
    scaleBar(c, 16, h - 16, view.scale, 110);
    c.strokeStyle = colour("ink");
    c.lineWidth = 1.5;
    arrow(c, w - 22, 44, 0, 24);
    c.fillStyle = colour("ink");
    c.textAlign = "center";
    c.fillText("N", w - 22, 14);
    point.now();
  });

  const point = inFrame(() => {
    const { c, w } = sharp(overlay);
    if (!view || !rows.length) return;
    for (const [when, ink, size] of [[state.hover, "soft", 5], [state.t, "accent", 7]]) {
      if (when === null) continue;
      const i = rows[indexAt(when, rowTimes)];
      if (Math.abs(t[i] - when) > 10) continue;
      c.beginPath();
      c.arc(x(i), y(i), size, 0, 7);
      c.fillStyle = colour(ink);
      c.fill();
      c.lineWidth = 2;
      c.strokeStyle = colour("card");
      c.stroke();
    }
    const row = indexAt(state.hover ?? state.t), from = columns.wind_from[row], speed = columns.wind_speed[row];
    if (from !== null && speed !== null && from !== undefined) {
      const angle = (from + 180) * Math.PI / 180;
      c.strokeStyle = colour("teal");
      c.lineWidth = 2.5;
      arrow(c, w - 62 - Math.sin(angle) * 15, 30 + Math.cos(angle) * 15, angle, 30, 8);
      c.fillStyle = colour("soft");
      c.textAlign = "right";
      c.fillText(`wind ${Math.round(from)}° ${Math.round(speed)} ${content.units.wind[0]}`, w - 90, 34);
    }
  });

  function nearest(event, within) {
    if (!view) return null;
    const area = base.getBoundingClientRect(), px = event.clientX - area.left, py = event.clientY - area.top;
    let found = null, least = within * within;
    for (const i of rows) {
      const d = (x(i) - px) ** 2 + (y(i) - py) ** 2;
      if (d < least) { least = d; found = i; }
    }
    return found;
  }

  let grip = null;
  base.addEventListener("pointerdown", (event) => { grip = { x: event.clientX, y: event.clientY, moved: false }; base.setPointerCapture(event.pointerId); });
  base.addEventListener("pointermove", (event) => {
    if (grip && view) {
      const dx = event.clientX - grip.x, dy = event.clientY - grip.y;
      if (grip.moved || Math.hypot(dx, dy) > 3) {
        view = { ...view, e: view.e - dx / view.scale, n: view.n + dy / view.scale };
        grip = { x: event.clientX, y: event.clientY, moved: true };
        draw();
      }
      return;
    }
    const i = nearest(event, 18);
    setHover(i === null ? null : t[i]);
  });
  base.addEventListener("pointerup", (event) => {
    if (grip && !grip.moved) {
      const i = nearest(event, 18);
      if (i !== null) setCursor(t[i], "hand");
    }
    grip = null;
  });
  base.addEventListener("pointerleave", () => setHover(null));
  base.addEventListener("wheel", (event) => {
    if (!view) return;
    event.preventDefault();
    const area = base.getBoundingClientRect(), factor = Math.exp(-event.deltaY * 0.0015);
    const dx = event.clientX - area.left - area.width / 2, dy = event.clientY - area.top - area.height / 2;
    const scale = Math.min(Math.max(view.scale * factor, 1e-4), 5);
    view = { e: view.e + dx / view.scale - dx / scale, n: view.n - dy / view.scale + dy / scale, scale };
    draw();
  }, { passive: false });

  listen("view", draw);
  listen("theme", draw);
  listen("size", () => { view = null; draw(); });
  listen("cursor", point);
  listen("hover", point);
  /** Draw the whole track for a print. A canvas behind another is empty on paper, so both are drawn onto the upper one. */
  function print() {
    view = null;
    draw.now();
    const { c, w, h } = { c: overlay.getContext("2d"), w: overlay.clientWidth, h: overlay.clientHeight };
    c.globalCompositeOperation = "destination-over";
    c.drawImage(base, 0, 0, w, h);
    c.globalCompositeOperation = "source-over";
  }

  return { draw, print, fit() { view = null; draw(); }, byNetto: air === columns.netto };
})();
