// controls.js: log in, change settings, set a mark, day and night. Changes are absolute values, sent once a
// moment after the last touch; a value counts as taken when the instrument reports it.
"use strict";

const SEND_AFTER_MS = 350, REPEAT_MS = 200, TAKEN_WITHIN_MS = 5000;
const MODES = ["automatic", "cruise", "circling", "approach"];

const element = (id) => document.getElementById(id);
const access = { mayChange: false, loggedIn: false };
const waiting = {}; // by key: {value, sentAt}

// By key: label, step, limits, text shown, text sent. Values are in SI units.
const SETTINGS = {
  maccready: { label: "MacCready", step: () => units.climb[3] / units.climb[1], low: 0, high: 10, text: (v) => `${shown(v, "climb")} ${units.climb[0]}`, sent: (v) => `${Number(v.toFixed(3))} m/s` },
  ballast: { label: "ballast", step: () => units.mass[3] / units.mass[1], low: 0, high: 500, text: (v) => `${shown(v, "mass")} ${units.mass[0]}`, sent: (v) => `${Number(v.toFixed(2))} kg` },
  bugs: { label: "bugs", step: () => 0.05, low: 0, high: 0.5, text: (v) => `${Math.round(v * 100)} %`, sent: (v) => v.toFixed(2) },
  volume: { label: "volume", step: () => 0.05, low: 0, high: 1, text: (v) => `${Math.round(v * 100)} %`, sent: (v) => v.toFixed(2) },
};

const say = (text) => (element("message").textContent = text);

async function post(path, body) {
  try {
    const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    return { ok: answer.ok, status: answer.status, text: await answer.text() };
  } catch {
    return { ok: false, status: 0, text: "the network is interrupted" };
  }
}

async function change(key, value) {
  const answer = await post("change", { key, value });
  if (answer.status === 403) showAccess({ ...access, loggedIn: false });
  if (!answer.ok) delete waiting[key];
  say(answer.text);
  return answer.ok;
}

let latest = null; // the latest message, null while the page is blank

function turnTo(key, by) {
  if (!latest) return;
  const { low, high, step } = SETTINGS[key], size = step();
  const now = waiting[key] ? waiting[key].value : latest.settings[key];
  const value = Math.max(low, Math.min(high, Math.round((now + by * size) / size) * size));
  clearTimeout(waiting[key] && waiting[key].timer);
  waiting[key] = { value, until: performance.now() + TAKEN_WITHIN_MS, timer: setTimeout(() => change(key, SETTINGS[key].sent(value)), SEND_AFTER_MS) };
  showSettings(latest);
}

function showSettings(state) {
  for (const key of Object.keys(SETTINGS)) {
    const wanted = waiting[key];
    if (wanted && (Math.abs(wanted.value - state.settings[key]) < 6e-3 || performance.now() > wanted.until)) {
      if (Math.abs(wanted.value - state.settings[key]) >= 6e-3) say(`${SETTINGS[key].label} was not taken`);
      delete waiting[key];
    }
    const output = element(`set-${key}`), value = waiting[key] ? waiting[key].value : state.settings[key];
    output.className = waiting[key] ? "waiting" : "";
    output.textContent = SETTINGS[key].text(value);
  }
  for (const mode of MODES) element(`mode-${mode}`).setAttribute("aria-pressed", String(state.settings.mode === mode));
}

function showAccess(now) {
  Object.assign(access, now);
  element("open").hidden = element("mark").hidden = !access.mayChange;
  for (const id of ["settings", "modes"]) element(id).hidden = !access.loggedIn;
  element("log-in").hidden = access.loggedIn;
}

function held(button, act) {
  let timer = null;
  const stop = () => clearInterval(timer);
  button.addEventListener("pointerdown", (event) => {
    if (event.button > 0) return;
    stop();
    act();
    const begun = performance.now();
    timer = setInterval(() => performance.now() - begun > 600 && act(), REPEAT_MS);
  });
  for (const name of ["pointerup", "pointerleave", "pointercancel", "contextmenu"]) button.addEventListener(name, stop);
  button.addEventListener("click", (event) => event.detail === 0 && act()); // the keyboard
}

function made(tag, text, parent) {
  const one = document.createElement(tag);
  one.textContent = text;
  parent.append(one);
  return one;
}

function buildPanel() {
  for (const [key, { label }] of Object.entries(SETTINGS)) {
    const row = made("div", "", element("settings")), less = made("button", MINUS, row), middle = made("p", "", row), more = made("button", "+", row);
    made("small", label, middle);
    made("output", "", middle).id = `set-${key}`;
    less.setAttribute("aria-label", `less ${label}`);
    more.setAttribute("aria-label", `more ${label}`);
    less.id = `less-${key}`;
    more.id = `more-${key}`;
    held(less, () => turnTo(key, -1));
    held(more, () => turnTo(key, 1));
  }
  for (const mode of MODES) {
    const button = made("button", mode, element("modes"));
    button.id = `mode-${mode}`;
    button.addEventListener("click", () => change("mode", mode));
  }
  element("open").addEventListener("click", () => { say(""); element("panel").hidden = false; });
  element("close").addEventListener("click", () => (element("panel").hidden = true));
  element("mark").addEventListener("click", async () => {
    const set = access.loggedIn && (await change("mark", "page"));
    if (!set) element("panel").hidden = false;
    else {
      element("mark").textContent = "marked";
      setTimeout(() => (element("mark").textContent = "mark"), 1500);
    }
  });
  element("log-in").addEventListener("submit", async (event) => {
    event.preventDefault();
    const answer = await post("login", { passphrase: element("passphrase").value });
    element("passphrase").value = "";
    say(answer.text);
    if (answer.ok) showAccess({ ...access, loggedIn: true });
  });
  showAccess(access);
}

function setLight(light) {
  document.documentElement.dataset.light = light;
  element("light").textContent = light === "day" ? "night" : "day";
  try { localStorage.setItem("light", light); } catch { /* not permitted: the choice is not kept */ }
}

function buildLight() {
  let light = null;
  try { light = localStorage.getItem("light"); } catch { /* likewise */ }
  setLight(light || (matchMedia("(prefers-color-scheme: dark)").matches ? "night" : "day"));
  element("light").addEventListener("click", () => setLight(document.documentElement.dataset.light === "day" ? "night" : "day"));
}
