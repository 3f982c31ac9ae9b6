// page.js: receive messages, show them, and go blank without them.
"use strict";

const BLANK_AFTER_MS = 1000; // without a message for this time nothing is shown
const LATE_MS = 1000; // a message that took this much longer than the fastest one is old
const CONNECT_AGAIN_MS = 3000;

const QUALITY = {
  no_baro: "no barometer", no_airspeed: "no airspeed", no_imu: "no inertial sensor", no_gnss: "no GNSS",
  no_glider: "no glider file", uncompensated: "not compensated", settling: "settling",
  airspeed_corrected: "airspeed corrected", imu_off: "inertial sensor off",
  baro_doubtful: "barometer doubtful", airspeed_doubtful: "airspeed doubtful",
  gnss_altitude_doubtful: "GNSS altitude doubtful", mass_doubtful: "mass doubtful",
};

const receiver = { source: null, arrived: -Infinity, fastest: Infinity, fresh: false, openedAt: 0, painted: [] };
let trail = []; // [t, north, east, frame, lift] once a second

function extendTrail(state) {
  const last = trail[trail.length - 1];
  if (!state.place || state.mode === "ground") return; // standing still has no direction
  if (last && (last[3] !== state.place[2] || state.t < last[0])) trail = [];
  else if (last && state.t - last[0] < 1) return;
  trail.push([state.t, ...state.place.slice(0, 3), state.lift]);
  if (trail.length > 150) trail.shift();
}

// First what needs an action, then what the outputs lack.
function warningsOf(state) {
  const urgent = [];
  if (state.emulated) urgent.push("EMULATION");
  if (state.battery.low) urgent.push("BATTERY LOW");
  if (!state.sound) urgent.push("NO SOUND");
  if (state.recording === "not recording") urgent.push("NOT RECORDING");
  if (state.rejected) urgent.push("CHANGED SETTINGS ARE NOT USED");
  const lacking = state.quality.map((word) => QUALITY[word] || word);
  if (state.recording === "in memory only") lacking.push("recording in memory only");
  return [urgent, lacking];
}

function show(state) {
  units = state.units;
  write("mode", state.mode);
  write("held", state.settings.mode === "automatic" ? "" : "held");
  const volt = known(state.battery.volt) ? `${state.battery.volt.toFixed(1)} V` : "";
  write("health", [state.recording === "on" ? "recording" : state.recording === "off" ? "no recording" : "", volt].filter(Boolean).join("  "));
  const [urgent, lacking] = warningsOf(state);
  write("warnings", [...urgent, ...lacking].join(" \u00b7 "));
  element("warnings").className = urgent.length ? "urgent" : "";
  write("average-label", `\u25bd ${Math.round(state.window)} s`);
  write("average", shownSigned(state.average, "climb"));
  write("turn", shownSigned(state.turnAverage, "climb"));
  write("climb", shownSigned(state.climbAverage, "climb"));
  write("maccready", shown(state.settings.maccready, "climb"), units.climb[0]);
  write("speed", shown(state.speed, "speed"), units.speed[0]);
  showGoal(state);
  write("wind", state.wind ? `${compass(state.wind.from)} ${shown(state.wind.speed, "wind")}` : "", units.wind[0]);
  const qnh = known(state.qnhAltitude);
  write("altitude-label", qnh ? "altitude (QNH)" : "pressure altitude");
  write("altitude", shown(qnh ? state.qnhAltitude : state.pressureAltitude, "height"), units.height[0]);
  drawClimbRuler(state);
  drawGoalRuler(state);
  drawPicture(state, trail);
  showSettings(state);
}

function showGoal(state) {
  const goal = state.goal;
  element("goal").hidden = !goal;
  if (!goal) return;
  const sigma = known(goal.sigma) ? `\u00b1${shown(goal.sigma, "height")} ` : "";
  write("arrival", shownSigned(goal.above, "height"), `${sigma}${units.height[0]}`);
  let way = compass(goal.bearing);
  if (known(state.track)) {
    const off = wrapped(goal.bearing - state.track), size = Math.round(Math.abs(off) * 180 / Math.PI);
    if (state.mode !== "circling") way = size < 3 ? "ahead" : off > 0 ? `${size}\u00b0 \u2192` : `\u2190 ${size}\u00b0`;
  }
  write("goal-place", `${shown(goal.distance, "distance")} ${units.distance[0]}`, way);
}

// Called for each frame of the screen: paints a new message, and clears the page if none has come.
function paint(now) {
  const live = latest !== null && now - receiver.arrived < BLANK_AFTER_MS;
  document.body.dataset.live = live ? "yes" : "no";
  if (!live) latest = null;
  else if (receiver.fresh) {
    receiver.fresh = false;
    show(latest);
    receiver.painted.push([latest.sent, performance.timeOrigin + performance.now()]);
    if (receiver.painted.length > 600) receiver.painted.shift();
  }
  requestAnimationFrame(paint);
}

function receive(event) {
  const now = performance.now(), state = JSON.parse(event.data), took = now - state.sent * 1000;
  receiver.fastest = Math.min(receiver.fastest + 0.01, took); // 0.1 ms per second for clocks that differ
  receiver.heard = now;
  if (took - receiver.fastest > LATE_MS) return;
  extendTrail(state);
  latest = state;
  receiver.arrived = now;
  receiver.fresh = true;
}

function connect() {
  if (receiver.source) receiver.source.close();
  receiver.heard = performance.now();
  const source = (receiver.source = new EventSource("stream"));
  source.addEventListener("hello", (event) => {
    const hello = JSON.parse(event.data);
    trail = hello.trail;
    receiver.fastest = Infinity; // the clock of the instrument may have begun again
    showAccess({ mayChange: hello.mayChange, loggedIn: hello.loggedIn });
  });
  source.onmessage = receive;
}

buildPanel();
buildLight();
document.addEventListener("visibilitychange", () => { latest = null; document.body.dataset.live = "no"; });
setInterval(() => performance.now() - receiver.heard > CONNECT_AGAIN_MS && connect(), 1000);
// A page that is not painted must not keep old values either.
setInterval(() => { if (performance.now() - receiver.arrived >= BLANK_AFTER_MS) document.body.dataset.live = "no"; }, 250);
connect();
requestAnimationFrame(paint);
