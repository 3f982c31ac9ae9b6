// drawing.js: the rulers, the turn ahead, and the track in the moving air.
"use strict";

const SECTORS = 24;
const CURTAIN_M_PER_MPS = 22; // a climb of 1 m/s stands this far off the track, in metres of the picture of a circle

function prepared(id) {
  const canvas = document.getElementById(id), scale = window.devicePixelRatio || 1;
  const [width, height] = [canvas.clientWidth, canvas.clientHeight];
  if (canvas.width !== Math.round(width * scale) || canvas.height !== Math.round(height * scale)) {
    canvas.width = Math.round(width * scale);
    canvas.height = Math.round(height * scale);
  }
  const pen = canvas.getContext("2d"), style = getComputedStyle(document.documentElement);
  pen.setTransform(scale, 0, 0, scale, 0, 0);
  pen.clearRect(0, 0, width, height);
  const ink = style.getPropertyValue("--ink"), soft = style.getPropertyValue("--soft");
  const paper = style.getPropertyValue("--paper");
  return { pen, width, height, ink, soft, paper };
}

function line(pen, points) {
  pen.beginPath();
  points.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.stroke();
}

const font = (pen, px, bold) => (pen.font = `${bold ? 700 : 500} ${px}px "Liberation Sans", Roboto, Arial, sans-serif`);

// A horizontal scale from `low` to `high` in the shown unit: returns the function from value to x.
function scaleLine({ pen, width, height, soft, ink }, low, high, step) {
  const pad = 6, x = (value) => pad + ((Math.max(low, Math.min(high, value)) - low) / (high - low)) * (width - 2 * pad);
  pen.strokeStyle = soft;
  pen.lineWidth = 1.5;
  line(pen, [[x(low), height - 2], [x(high), height - 2]]);
  for (let value = low; value <= high + 1e-9; value += step)
    line(pen, [[x(value), height - 2], [x(value), height - (Math.abs(value) < 1e-9 ? 12 : 6)]]);
  pen.fillStyle = pen.strokeStyle = ink;
  return x;
}

// The three averages and the MacCready value on one scale.
function drawClimbRuler(state) {
  const board = prepared("climb-ruler"), { pen, height } = board;
  const step = { "ft/min": 200, kt: 2 }[units.climb[0]] || 1, low = -2 * step, high = 6 * step;
  const x = scaleLine(board, low, high, step);
  const maccready = x(inUnit(state.settings.maccready, "climb"));
  pen.lineWidth = 3;
  line(pen, [[maccready, 0], [maccready, height]]);
  pen.lineWidth = 2.5;
  const size = height * 0.32, middle = height * 0.42;
  if (known(state.climbAverage)) {
    const at = x(inUnit(state.climbAverage, "climb"));
    pen.strokeRect(at - size * 0.8, middle - size * 0.8, size * 1.6, size * 1.6);
  }
  if (known(state.turnAverage)) {
    const at = x(inUnit(state.turnAverage, "climb"));
    pen.beginPath();
    pen.arc(at, middle, size, 0, 2 * Math.PI);
    pen.fill();
  }
  if (known(state.average)) {
    const at = x(inUnit(state.average, "climb"));
    line(pen, [[at - size, middle - size], [at, height - 3], [at + size, middle - size]]);
  }
}

// Arrival height over the reserve: the bar is one standard deviation to each side.
function drawGoalRuler(state) {
  const board = prepared("goal-ruler"), { pen, height } = board, goal = state.goal;
  if (!goal || !known(goal.above)) return;
  const feet = units.height[1] > 2, low = feet ? -1000 : -300, high = feet ? 3000 : 900;
  const x = scaleLine(board, low, high, feet ? 500 : 150);
  const at = inUnit(goal.above, "height"), sigma = known(goal.sigma) ? inUnit(goal.sigma, "height") : 0;
  const middle = height * 0.42;
  pen.lineWidth = height * 0.3;
  line(pen, [[x(at - sigma), middle], [x(at + sigma), middle]]);
  pen.lineWidth = 4;
  line(pen, [[x(at), 1], [x(at), height - 3]]);
}

// The lift that lies ahead along the circle, in the order in which the glider meets it: now at the left edge.
function drawTurnAhead(board, circle, maccready, box) {
  const { pen, ink } = board, sense = circle.right ? 1 : -1, px = Math.max(13, box.height * 0.16);
  const ahead = [];
  for (let k = 0; k <= SECTORS; k++) {
    const heading = circle.heading + (sense * k * 2 * Math.PI) / SECTORS;
    const sector = ((Math.floor((heading / (2 * Math.PI)) * SECTORS) % SECTORS) + SECTORS) % SECTORS;
    ahead.push(circle.lift[sector]);
  }
  const values = ahead.filter(known);
  if (values.length < 2) return;
  const high = Math.max(...values, maccready, 0.5) * 1.1, low = Math.min(0, ...values);
  const top = box.top + px * 1.35, bottom = box.top + box.height - 4;
  const x = (k) => box.left + (k / SECTORS) * box.width, y = (value) => bottom - ((value - low) / (high - low)) * (bottom - top);
  pen.fillStyle = ink;
  pen.globalAlpha = 0.25;
  for (let k = 0; k < SECTORS; k++) if (known(ahead[k])) pen.fillRect(x(k), y(ahead[k]), box.width / SECTORS, y(0) - y(ahead[k]));
  pen.globalAlpha = 1;
  pen.strokeStyle = ink;
  pen.lineWidth = 3;
  line(pen, ahead.slice(0, SECTORS).flatMap((value, k) => (known(value) ? [[x(k), y(value)], [x(k + 1), y(value)]] : [])));
  pen.lineWidth = 1.5;
  line(pen, [[box.left, y(0)], [box.left + box.width, y(0)]]);
  pen.setLineDash([6, 5]);
  line(pen, [[box.left, y(maccready)], [box.left + box.width, y(maccready)]]);
  pen.setLineDash([]);
  const secondsPerTurn = Math.abs(circle.rate) > 0.05 ? (2 * Math.PI) / Math.abs(circle.rate) : null;
  const share = (heading) => ((sense * (heading - circle.heading)) / (2 * Math.PI) + 2) % 1;
  const marked = (heading, word) => {
    const at = share(heading), wait = secondsPerTurn === null ? "" : ` ${Math.round(at * secondsPerTurn)} s`;
    font(pen, px, true);
    pen.fillStyle = pen.strokeStyle = ink;
    pen.lineWidth = 3;
    const left = box.left + at * box.width, text = word + wait, width = pen.measureText(text).width;
    line(pen, [[left, bottom], [left, box.top + px * 1.05]]);
    pen.fillText(text, Math.max(box.left, Math.min(left - width / 2, box.left + box.width - width)), box.top + px * 0.9);
  };
  if (known(circle.rollOut)) marked(circle.rollOut, "level");
  else {
    const best = ahead.indexOf(Math.max(...values));
    marked(circle.heading + (sense * (best + 0.5) * 2 * Math.PI) / SECTORS, "best");
  }
}

// The track drawn in the air, which drifts over the ground. The curtain beside it is the climb at each place:
// outside the line lift, filled; inside it sink, an outline.
function drawTrack(board, state, trail, box) {
  const { pen, ink, soft } = board, place = state.place;
  if (!place) return;
  const [north, east, frame, driftNorth, driftEast] = place, circling = state.mode === "circling";
  const lasting = circling ? 75 : 150, radius = circling ? 190 : 2400;
  const up = circling ? 0 : known(state.track) ? state.track : known(state.heading) ? state.heading : 0;
  const perMetre = Math.min(box.width, box.height) / 2 / radius;
  const [cx, cy] = [box.left + box.width / 2, box.top + box.height * (circling ? 0.5 : 0.62)];
  const recent = trail.filter((point) => point[3] === frame && state.t - point[0] < lasting);
  const around = recent.map(([t, n, e, , lift]) => {
    const age = state.t - t;
    return [n + driftNorth * age - north, e + driftEast * age - east, lift, age];
  });
  // While circling the middle of the last turn stays in the middle of the picture.
  const turn = circling && state.circle && Math.abs(state.circle.rate) > 0.05 ? (2 * Math.PI) / Math.abs(state.circle.rate) : 0;
  const last = around.filter((point) => point[3] < turn), mean = (k) => last.reduce((sum, point) => sum + point[k], 0) / last.length;
  const [midNorth, midEast] = last.length > 5 ? [mean(0), mean(1)] : [0, 0];
  const onBoard = (n, e) => {
    const [right, ahead] = [(e - midEast) * Math.cos(up) - (n - midNorth) * Math.sin(up), (e - midEast) * Math.sin(up) + (n - midNorth) * Math.cos(up)];
    return [cx + right * perMetre, cy - ahead * perMetre];
  };
  const [gx, gy] = onBoard(0, 0);
  pen.save();
  pen.beginPath();
  pen.rect(box.left, box.top, box.width, box.height);
  pen.clip();
  const track = around.map(([n, e, lift]) => [...onBoard(n, e), lift]);
  track.push([gx, gy, state.lift]);
  const outside = state.circle && !state.circle.right ? 1 : -1;
  const tall = (CURTAIN_M_PER_MPS * Math.min(box.width, box.height)) / 380;
  const edge = track.map(([x, y, lift], k) => {
    const [x0, y0] = track[Math.max(0, k - 1)], [x1, y1] = track[Math.min(track.length - 1, k + 1)], length = Math.hypot(x1 - x0, y1 - y0) || 1;
    const off = known(lift) ? lift * tall : 0;
    return [x - (outside * (y1 - y0) * off) / length, y + (outside * (x1 - x0) * off) / length];
  });
  pen.fillStyle = pen.strokeStyle = ink;
  pen.lineWidth = 1;
  pen.globalAlpha = 0.3;
  for (let k = 1; k < track.length; k++) {
    const [from, to] = [track[k - 1], track[k]];
    if (!known(from[2]) || !known(to[2])) continue;
    pen.beginPath();
    [from, to, edge[k], edge[k - 1]].forEach(([x, y], i) => (i ? pen.lineTo(x, y) : pen.moveTo(x, y)));
    if (from[2] + to[2] >= 0) pen.fill();
    else {
      pen.globalAlpha = 0.75;
      line(pen, [edge[k - 1], edge[k]]);
      pen.globalAlpha = 0.3;
    }
  }
  pen.globalAlpha = 1;
  pen.strokeStyle = ink;
  pen.lineWidth = 3;
  line(pen, track);
  drawGlider(pen, ink, gx, gy, (known(state.heading) ? state.heading : known(state.track) ? state.track : up) - up);
  drawEdges(board, state, up, [cx, cy], box);
  const px = Math.max(13, box.height * 0.09);
  font(pen, px, false);
  pen.fillStyle = soft;
  const [unit, many] = circling ? [units.height, units.height[1] > 2 ? 300 : 100] : [units.distance, 1];
  const wide = many / unit[1];
  pen.lineWidth = 2;
  pen.strokeStyle = soft;
  const [left, base] = [box.left + 4, box.top + box.height - 6];
  line(pen, [[left, base - 5], [left, base], [left + wide * perMetre, base], [left + wide * perMetre, base - 5]]);
  pen.fillText(`${many} ${unit[0]}`, left + wide * perMetre + 5, base);
  pen.restore();
}

function drawGlider(pen, ink, x, y, angle) {
  pen.save();
  pen.translate(x, y);
  pen.rotate(angle);
  pen.strokeStyle = ink;
  pen.lineWidth = 4;
  line(pen, [[-13, 1], [13, 1]]);
  line(pen, [[0, -7], [0, 14]]);
  line(pen, [[-5, 14], [5, 14]]);
  pen.restore();
}

// At the edge: north, the direction of the goal, and the wind as an arrow with the air.
function drawEdges(board, state, up, [cx, cy], box) {
  const { pen, ink } = board, px = Math.max(15, box.height * 0.1);
  const toEdge = (angle, inset) => {
    const [dx, dy] = [Math.sin(angle), -Math.cos(angle)];
    const rx = Math.abs(dx) < 1e-9 ? Infinity : ((dx > 0 ? box.left + box.width : box.left) - cx) / dx;
    const ry = Math.abs(dy) < 1e-9 ? Infinity : ((dy > 0 ? box.top + box.height : box.top) - cy) / dy;
    const reach = Math.min(rx, ry) - inset;
    return [cx + dx * reach, cy + dy * reach];
  };
  pen.fillStyle = pen.strokeStyle = ink;
  font(pen, px, true);
  const named = (angle, text) => {
    const [x, low] = toEdge(angle - up, px * 0.75), y = Math.min(low, box.top + box.height - px * 2); // above the scale
    pen.fillText(text, x - pen.measureText(text).width / 2, y + px * 0.36);
  };
  named(0, "N");
  if (state.goal) {
    const angle = state.goal.bearing - up, [x0, y0] = toEdge(angle, 2), [x1, y1] = toEdge(angle, px * 2.2);
    pen.lineWidth = 5;
    line(pen, [[x0, y0], [x1, y1]]);
  }
  if (state.wind) {
    const angle = state.wind.from + Math.PI - up, [sin, cos] = [Math.sin(angle), -Math.cos(angle)], long = px * 1.7;
    const [x, y] = [box.left + box.width - px * 1.5, box.top + px * 1.6];
    const tip = [x + (sin * long) / 2, y + (cos * long) / 2];
    pen.lineWidth = 3;
    line(pen, [[x - (sin * long) / 2, y - (cos * long) / 2], tip]);
    line(pen, [[tip[0] - 8 * sin + 6 * cos, tip[1] - 8 * cos - 6 * sin], tip, [tip[0] - 8 * sin - 6 * cos, tip[1] - 8 * cos + 6 * sin]]);
  }
}

function drawPicture(state, trail) {
  const board = prepared("picture"), { width, height } = board;
  if (width < 40 || height < 40) return;
  let top = 0;
  if (state.mode === "circling" && state.circle) {
    top = width > 1.9 * height ? 0 : Math.min(height * 0.42, 200);
    const box = top ? { left: 0, top: 4, width, height: top - 8 } : { left: 0, top: 4, width: width * 0.54, height: height - 8 };
    drawTurnAhead(board, state.circle, state.settings.maccready, box);
    if (!top) return drawTrack(board, state, trail, { left: width * 0.57, top: 0, width: width * 0.43, height });
  }
  return drawTrack(board, state, trail, { left: 0, top, width, height: height - top });
}
