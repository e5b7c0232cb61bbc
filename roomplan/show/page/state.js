// @ts-check
// Levels that are moved: undo and redo, what differs in words, and the plan file that says the same.

import { writtenLevels } from "./figures.js";

/** @typedef {import("./figures.js").Levels} Levels */
/** A number or a switch: what it is of, and its place there.
 * @typedef {{of: "section" | "send" | "room", at: number, key: "level" | "dry" | "mute"}} Spot */

export const LOWEST_DB = -120;
export const HIGHEST_DB = 24;
const TOGETHER_MS = 700; // moves of one number so soon after another are one step back

/** A level within what a plan may say, to a hundredth. @param {number} value */
export function withinPlan(value) {
  return Math.round(Math.min(HIGHEST_DB, Math.max(LOWEST_DB, value)) * 100) / 100;
}

/** @param {Levels} levels @param {Spot} spot @returns {number | boolean} */
export function valueAt(levels, spot) {
  if (spot.of === "send") return levels.sends[spot.at];
  if (spot.of === "room") return spot.key === "mute" ? levels.rooms[spot.at].mute : levels.rooms[spot.at].level;
  return levels.sections[spot.at][spot.key];
}

/** @param {Levels} levels @param {Spot} spot @param {number | boolean} value @returns {Levels} another one */
export function withValue(levels, spot, value) {
  const next = structuredClone(levels);
  if (spot.of === "send") next.sends[spot.at] = Number(value);
  else if (spot.of === "room") Object.assign(next.rooms[spot.at], { [spot.key]: value });
  else Object.assign(next.sections[spot.at], { [spot.key]: value });
  return next;
}

/** Levels with every step that led to them. */
export class History {
  /** @param {any} plan the document */
  constructor(plan) {
    this.written = writtenLevels(plan);
    this.now = this.written;
    /** @type {Levels[]} */
    this.before = [];
    /** @type {Levels[]} */
    this.after = [];
    this.last = { spot: "", time: -Infinity };
  }

  get moved() {
    return JSON.stringify(this.now) !== JSON.stringify(this.written);
  }

  /** @param {Spot} spot @param {number | boolean} value @param {number} time in ms @returns {boolean} whether it is another */
  set(spot, value, time) {
    if (valueAt(this.now, spot) === value) return false;
    const name = JSON.stringify(spot);
    const together = name === this.last.spot && time - this.last.time < TOGETHER_MS && typeof value === "number";
    if (!together) this.before.push(this.now);
    this.last = { spot: name, time };
    this.after = [];
    this.now = withValue(this.now, spot, value);
    return true;
  }

  /** @param {Levels} levels all at once, as one step */
  replace(levels) {
    if (JSON.stringify(levels) === JSON.stringify(this.now)) return;
    this.before.push(this.now);
    this.after = [];
    this.now = levels;
    this.last = { spot: "", time: -Infinity };
  }

  undo() {
    const earlier = this.before.pop();
    if (!earlier) return;
    this.after.push(this.now);
    this.now = earlier;
    this.last = { spot: "", time: -Infinity };
  }

  redo() {
    const later = this.after.pop();
    if (!later) return;
    this.before.push(this.now);
    this.now = later;
    this.last = { spot: "", time: -Infinity };
  }
}

/** A level as it is read: `−9.5`. @param {number} value @param {number} [digits] */
export function signed(value, digits = 1) {
  const text = Math.abs(value).toFixed(digits);
  return value < 0 && Number(text) !== 0 ? `−${text}` : text;
}

/** A level without digits it does not need. @param {number} value */
function level(value) {
  return `${signed(value, Number.isInteger(value * 10) ? 1 : 2)} dB`;
}

/** What is different from the plan as written, a line each. @param {any} plan @param {Levels} levels @returns {string[]} */
export function differences(plan, levels) {
  const written = writtenLevels(plan);
  /** @type {string[]} */
  const lines = [];
  const say = (/** @type {string} */ what, /** @type {number} */ from, /** @type {number} */ to) => {
    if (from !== to) lines.push(`${what}: ${level(from)} → ${level(to)}`);
  };
  const saySwitch = (/** @type {string} */ what, /** @type {boolean} */ from, /** @type {boolean} */ to) => {
    if (from !== to) lines.push(`${what}: ${to ? "muted" : "no longer muted"}`);
  };
  plan.sections.forEach((/** @type {any} */ one, /** @type {number} */ i) => {
    say(`${one.name}, level`, written.sections[i].level, levels.sections[i].level);
    say(`${one.name}, dry`, written.sections[i].dry, levels.sections[i].dry);
    saySwitch(one.name, written.sections[i].mute, levels.sections[i].mute);
    plan.components.forEach((/** @type {any} */ it, /** @type {number} */ k) => {
      if (it.section === one.name && it.send) say(`${one.name} → ${placeOf(plan, it)}`, written.sends[k], levels.sends[k]);
    });
  });
  plan.rooms.forEach((/** @type {any} */ one, /** @type {number} */ i) => {
    say(`room ${one.name}, level`, written.rooms[i].level, levels.rooms[i].level);
    saySwitch(`room ${one.name}`, written.rooms[i].mute, levels.rooms[i].mute);
  });
  return lines;
}

/** A room, with the position where a section sends to several. @param {any} plan @param {any} component */
export function placeOf(plan, component) {
  const alike = plan.components.filter((/** @type {any} */ one) => one.section === component.section && one.room === component.room);
  return alike.length > 1 ? `${component.room}, ${component.position}` : component.room;
}

/** The moved levels as a plan that extends the written one: YAML, to be saved beside it.
 * @param {any} plan @param {Levels} levels @returns {string} */
export function planFile(plan, levels) {
  const written = writtenLevels(plan);
  const quoted = (/** @type {string} */ name) => JSON.stringify(name);
  const rooms = plan.rooms.flatMap((/** @type {any} */ one, /** @type {number} */ i) => {
    const keys = changed({ level: written.rooms[i].level, mute: written.rooms[i].mute }, levels.rooms[i]);
    return keys.length ? [`  ${quoted(one.name)}: {${keys.join(", ")}}`] : [];
  });
  const sections = plan.sections.flatMap((/** @type {any} */ one, /** @type {number} */ i) => {
    const keys = changed(written.sections[i], levels.sections[i]).map((line) => `    ${line}`);
    const sends = sendLines(plan, written, levels, one.name);
    if (sends.length) keys.push("    sends:", ...sends);
    return keys.length ? [`  ${quoted(one.name)}:`, ...keys] : [];
  });
  const lines = [`# ${oneLine(plan.title)}: levels moved on a page; save it beside the plan that it extends`, `extends: ${quoted(plan.plan)}`];
  if (rooms.length) lines.push("rooms:", ...rooms);
  if (sections.length) lines.push("sections:", ...sections);
  return `${lines.join("\n")}\n`;
}

/** @param {string} text nothing in it ends the comment it stands in */
function oneLine(text) {
  return text.replace(/[\u0000-\u001f\u007f-\u009f\u2028\u2029]/g, " ");
}

/** @param {Record<string, number | boolean>} from @param {Record<string, number | boolean>} to @returns {string[]} */
function changed(from, to) {
  return Object.keys(from).flatMap((key) => (from[key] === to[key] ? [] : [`${key}: ${to[key]}`]));
}

/** Sends of a section to the rooms where one has moved, each with all it says. A send that was shared becomes
 * the section's own, and would lose what is left out.
 * @param {any} plan @param {Levels} written @param {Levels} levels @param {string} section @returns {string[]} */
function sendLines(plan, written, levels, section) {
  /** @type {Map<string, {line: string, moved: boolean}[]>} */
  const byRoom = new Map();
  plan.components.forEach((/** @type {any} */ one, /** @type {number} */ i) => {
    if (one.section !== section || !one.send) return;
    const also = Object.entries(one.send.also).map(([key, value]) => `, ${key}: ${JSON.stringify(value)}`);
    const line = `{level: ${levels.sends[i]}${also.join("")}}`;
    byRoom.set(one.room, [...(byRoom.get(one.room) ?? []), { line, moved: written.sends[i] !== levels.sends[i] }]);
  });
  return [...byRoom].flatMap(([room, sends]) => {
    if (!sends.some((one) => one.moved)) return [];
    const lines = sends.map((one) => one.line);
    return [`      ${JSON.stringify(room)}: ${lines.length > 1 ? `[${lines.join(", ")}]` : lines[0]}`];
  });
}
