// numbers.js: from SI values to text in the pilot's units. Unknown values give empty text, never zero.
"use strict";

const MINUS = "\u2212";

// What `units` of a message contains for each quantity: [symbol, factor, decimals, step of a change].
let units = {};

const known = (value) => value !== null && value !== undefined;

const inUnit = (value, quantity) => value * units[quantity][1];

function plain(value, decimals) {
  const text = Math.abs(value).toFixed(decimals);
  return (value < 0 && Number(text) !== 0 ? MINUS : "") + text;
}

function signed(value, decimals) {
  const text = plain(value, decimals);
  return Number(text.replace(MINUS, "-")) > 0 ? "+" + text : text;
}

const shown = (value, quantity) => (known(value) ? plain(inUnit(value, quantity), units[quantity][2]) : "");
const shownSigned = (value, quantity) => (known(value) ? signed(inUnit(value, quantity), units[quantity][2]) : "");

const wrapped = (rad) => Math.atan2(Math.sin(rad), Math.cos(rad));
const degrees = (rad) => Math.round((rad * 180) / Math.PI + 360) % 360;
const compass = (rad) => String(degrees(rad) || 360).padStart(3, "0") + "\u00b0"; // north is 360

// Write text, and a unit in small letters, into an element; only changes touch the document.
function write(id, text, unit = "") {
  const element = document.getElementById(id), key = text + "|" + unit;
  if (element.dataset.key === key) return;
  element.dataset.key = key;
  element.textContent = text;
  if (text !== "" && unit !== "") {
    const small = document.createElement("i");
    small.textContent = " " + unit;
    element.append(small);
  }
}
