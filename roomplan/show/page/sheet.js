// @ts-check
// The sheet: sections down, rooms across, a field for every level, and what each section gets. Real tables.

import { HIGHEST_DB, LOWEST_DB, placeOf, signed, valueAt, withinPlan } from "./state.js";

/** @typedef {import("./state.js").Spot} Spot */
/** @typedef {import("./figures.js").Levels} Levels */
/** @typedef {(spot: Spot, value: number | boolean) => void} Moved */

const STEPS = /** @type {Record<string, number>} */ ({ ArrowUp: 0.5, ArrowDown: -0.5, PageUp: 3, PageDown: -3 });
const FINE = 0.1;
const MOST_LISTED = 8;

const WISHES = /** @type {Record<string, [string, number, number]>} */ ({
  // kind: its words, digits, and from the document to what is read
  wet_to_dry: ["wet to dry", 1, 1],
  margin: ["margin", 1, 1],
  share: ["share", 1, 1],
  least_c80: ["C80", 1, 1],
  least_d50: ["D50", 2, 1],
  least_sti: ["STI", 2, 1],
  longest_centre_time: ["centre time", 0, 1000],
  longest_wet_decay: ["decay of the wet", 2, 1],
  true_peak: ["true peak", 1, 1],
  loudness: ["loudness", 1, 1],
});
const SENSES = /** @type {Record<string, string>} */ ({ equal: "", least: "at least ", most: "at most " });

/** An element with words in it; words of a plan are always text. @param {string} tag
 * @param {Record<string, string>} attributes @param {(Node | string)[]} content */
export function element(tag, attributes, ...content) {
  const made = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...content);
  return made;
}

/** A name from a plan, whatever way it is written. @param {string} name */
export function named(name) {
  return element("bdi", {}, name);
}

/** @param {Spot} spot */
function idOf(spot) {
  return `level-${spot.of}-${spot.at}-${spot.key}`;
}

/** A field for a level, moved by keys and by typing.
 * @param {Spot} spot @param {string} label @param {Moved} moved @returns {HTMLInputElement} */
function levelField(spot, label, moved) {
  const field = /** @type {HTMLInputElement} */ (
    element("input", { type: "number", id: idOf(spot), min: String(LOWEST_DB), max: String(HIGHEST_DB), step: "any", inputmode: "decimal", "aria-label": `${label}, dB` })
  );
  field.addEventListener("keydown", (event) => {
    const step = STEPS[event.key];
    if (step === undefined || event.altKey || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    const size = event.shiftKey && event.key.startsWith("Arrow") ? Math.sign(step) * FINE : step;
    moved(spot, withinPlan((Number.isFinite(field.valueAsNumber) ? field.valueAsNumber : 0) + size));
  });
  field.addEventListener("change", () => {
    if (Number.isFinite(field.valueAsNumber)) moved(spot, withinPlan(field.valueAsNumber));
    else field.value = field.dataset.shown ?? "";
  });
  return field;
}

/** @param {Spot} spot @param {string} label @param {Moved} moved */
function muteBox(spot, label, moved) {
  const box = /** @type {HTMLInputElement} */ (element("input", { type: "checkbox", id: idOf(spot), "aria-label": `mute ${label}` }));
  box.addEventListener("change", () => moved(spot, box.checked));
  return element("label", { class: "box" }, box, element("span", { class: "narrow-only" }, "mute"));
}

/** @param {string} label shown beside it where the table is a list @param {(Node | string)[]} content */
function cell(label, ...content) {
  return element("td", { "data-label": label }, ...content);
}

/** The table of sections. @param {any} plan @param {Moved} moved @returns {HTMLElement} */
export function sectionTable(plan, moved) {
  const figures = ["wet/dry dB", "C80 dB", "to −40 dB s", "LUFS"];
  const withMargins = plan.margins.length > 0;
  const head = element("tr", {}, ...["section", "level", "mute", "dry"].map((one) => element("th", { scope: "col" }, one)));
  for (const room of plan.rooms) head.append(element("th", { scope: "col" }, named(room.name)));
  for (const one of [...figures, ...(withMargins ? ["margins dB"] : [])]) head.append(element("th", { scope: "col", class: "figure" }, one));
  const table = element("table", { class: "sheet", id: "sections" }, element("thead", {}, head));
  for (const members of together(plan)) {
    const body = element("tbody", {}, ...members.map((i) => sectionRow(plan, i, moved, withMargins)));
    const group = plan.groups.findIndex((/** @type {any} */ one) => one.name === plan.sections[members[0]].group);
    if (group >= 0) body.append(groupRow(plan, group, withMargins));
    table.append(body);
  }
  return table;
}

/** Places of the sections in the order of the plan, those of a group side by side. @param {any} plan @returns {number[][]} */
function together(plan) {
  /** @type {Map<string | symbol, number[]>} */
  const found = new Map();
  plan.sections.forEach((/** @type {any} */ one, /** @type {number} */ i) => {
    const key = one.group ?? "";
    const last = [...found.keys()].at(-1);
    if (one.group === null && typeof last === "symbol") found.get(last)?.push(i);
    else if (one.group === null) found.set(Symbol(key), [i]);
    else found.set(key, [...(found.get(key) ?? []), i]);
  });
  return [...found.values()];
}

/** @param {any} plan @param {number} i @param {Moved} moved @param {boolean} withMargins */
function sectionRow(plan, i, moved, withMargins) {
  const section = plan.sections[i];
  const spot = (/** @type {"level" | "dry" | "mute"} */ key) => /** @type {Spot} */ ({ of: "section", at: i, key });
  const dry = section.dry_db === null ? element("span", { class: "quiet" }, "off") : levelField(spot("dry"), `${section.name}, dry`, moved);
  const row = element(
    "tr",
    {},
    element("th", { scope: "row" }, named(section.name)),
    cell("level dB", levelField(spot("level"), `${section.name}, level`, moved)),
    cell("", muteBox(spot("mute"), section.name, moved)),
    cell("dry dB", dry),
  );
  for (const room of plan.rooms) row.append(sendCell(plan, section, room, moved));
  for (const [key, label] of [["ratio", "wet/dry dB"], ["c80", "C80 dB"], ["decay", "to −40 dB s"], ["loudness", "LUFS"]]) {
    row.append(element("td", { class: "figure", "data-label": label, id: `section-${i}-${key}` }));
  }
  if (withMargins) row.append(element("td", { class: "figure words", "data-label": "margins dB", id: `section-${i}-margins` }));
  return row;
}

/** @param {any} plan @param {any} section @param {any} room @param {Moved} moved */
function sendCell(plan, section, room, moved) {
  const fields = plan.components.flatMap((/** @type {any} */ one, /** @type {number} */ k) => {
    if (one.section !== section.name || one.room !== room.name || !one.send) return [];
    const place = placeOf(plan, one);
    const several = place !== one.room;
    const words = [];
    if (several) words.push(one.position);
    if (one.send.shared_with.length) words.push("shared");
    else if (one.send.inherited_from) words.push("inherited");
    const field = levelField({ of: "send", at: k, key: "level" }, `${section.name} to ${place}`, moved);
    const why = one.send.shared_with.length
      ? `${one.send.inherited_from ? `from ${one.send.inherited_from}, ` : ""}shared with ${one.send.shared_with.join(", ")}; moved here it becomes this section's own`
      : one.send.inherited_from
        ? `from ${one.send.inherited_from}`
        : "";
    const note = words.length ? [element("span", { class: "quiet", ...(why ? { title: why } : {}) }, named(words.join(", ")))] : [];
    return [element("div", { class: "send" }, field, ...note)];
  });
  return cell(`${room.name} dB`, ...(fields.length ? fields : [element("span", { class: "quiet none" }, "–")]));
}

/** @param {any} plan @param {number} g @param {boolean} withMargins */
function groupRow(plan, g, withMargins) {
  const row = element("tr", { class: "sum" }, element("th", { scope: "row", colspan: String(4 + plan.rooms.length) }, "group ", named(plan.groups[g].name)));
  for (const [key, label] of [["ratio", "wet/dry dB"], ["c80", ""], ["decay", ""], ["loudness", "LUFS"]]) {
    row.append(element("td", { class: "figure", "data-label": label, id: `group-${g}-${key}` }));
  }
  if (withMargins) row.append(element("td", { class: "figure words", "data-label": "margins dB", id: `group-${g}-margins` }));
  return row;
}

/** The table of rooms. @param {any} plan @param {Moved} moved */
export function roomTable(plan, moved) {
  const head = element("tr", {}, ...["room", "level", "mute"].map((one) => element("th", { scope: "col" }, one)));
  for (const one of ["LUFS", "EDT s", "T30 s"]) head.append(element("th", { scope: "col", class: "figure" }, one));
  const rows = plan.rooms.map((/** @type {any} */ room, /** @type {number} */ i) =>
    element(
      "tr",
      {},
      element("th", { scope: "row" }, named(room.name)),
      cell("level dB", levelField({ of: "room", at: i, key: "level" }, `room ${room.name}, level`, moved)),
      cell("", muteBox({ of: "room", at: i, key: "mute" }, `room ${room.name}`, moved)),
      element("td", { class: "figure", "data-label": "LUFS", id: `room-${i}-loudness` }),
      element("td", { class: "figure", "data-label": "EDT s" }, room.edt_s === null ? "–" : room.edt_s.toFixed(2)),
      element("td", { class: "figure", "data-label": "T30 s" }, room.t30_s === null ? "–" : room.t30_s.toFixed(2)),
    ),
  );
  return element("table", { class: "sheet", id: "rooms" }, element("thead", {}, head), element("tbody", {}, ...rows));
}

/** The table of the mix, its alternates and passages. @param {any} plan */
export function mixTable(plan) {
  const head = element("tr", {}, element("th", { scope: "col" }, "mix"), ...["LUFS", "wet/dry dB", "true peak dBTP"].map((one) => element("th", { scope: "col", class: "figure" }, one)));
  const row = (/** @type {(Node | string)[]} */ name, /** @type {string} */ id) =>
    element("tr", {}, element("th", { scope: "row" }, ...name), ...["loudness", "ratio", "peak"].map((key, i) => element("td", { class: "figure", "data-label": ["LUFS", "wet/dry dB", "true peak dBTP"][i], id: `${id}-${key}` })));
  const rows = [row(["the whole cue"], "mix")];
  plan.passages.forEach((/** @type {any} */ one, /** @type {number} */ i) => rows.push(row(["passage ", named(one.name)], `passage-${i}`)));
  plan.alternates.forEach((/** @type {any} */ one, /** @type {number} */ i) => rows.push(row(["alternate ", named(one.name)], `alternate-${i}`)));
  return element("table", { class: "sheet", id: "mix" }, element("thead", {}, head), element("tbody", {}, ...rows));
}

/** The list of targets. @param {any} plan @returns {HTMLElement | null} */
export function targetTable(plan) {
  if (!plan.targets.length) return null;
  const head = element("tr", {}, ...["target", "wanted", "now", ""].map((one, i) => element("th", { scope: "col", ...(i === 1 || i === 2 ? { class: "figure" } : {}) }, one)));
  const rows = plan.targets.map((/** @type {any} */ one, /** @type {number} */ i) => {
    const [words] = WISHES[one.kind];
    const of = one.of === null ? "mix" : one.of.slice(one.of.indexOf(":") + 1);
    const more = [one.over && ` over ${one.over.slice(one.over.indexOf(":") + 1)}`, one.room && ` from ${one.room}`, one.band === "speech" && ", in the speech band", one.passage && `, in ${one.passage}`];
    return element(
      "tr",
      { id: `target-${i}` },
      element("th", { scope: "row" }, named(of), `, ${words}`, ...more.filter(Boolean)),
      element("td", { class: "figure", "data-label": "wanted" }, `${SENSES[one.sense]}${inUnit(one, one.wanted)}`),
      element("td", { class: "figure", "data-label": "now" }),
      element("td", { class: "verdict" }),
    );
  });
  return element("table", { class: "sheet", id: "targets" }, element("thead", {}, head), element("tbody", {}, ...rows));
}

/** @param {any} target @param {number} value */
function inUnit(target, value) {
  const [, digits, factor] = WISHES[target.kind];
  return `${signed(value * factor, digits)} ${target.unit}`.trim();
}

/** @param {string} id @param {{value: number | null}} figure @param {number} digits */
function show(id, figure, digits) {
  const place = document.getElementById(id);
  const text = figure.value === null ? "–" : signed(figure.value, digits);
  if (place && place.textContent !== text) place.textContent = text;
}

/** Why there are dashes, each reason once with what it is true of. @param {any} plan @param {any} found */
function showReasons(plan, found) {
  /** @type {Map<string, string[]>} */
  const reasons = new Map();
  const note = (/** @type {string} */ what, /** @type {{value: number | null, reason: string | null}} */ figure) => {
    if (figure.value === null && figure.reason) reasons.set(figure.reason, [...(reasons.get(figure.reason) ?? []), what]);
  };
  const kinds = /** @type {[string, string][]} */ ([["ratio", "wet/dry"], ["c80", "C80"], ["decay", "to −40 dB"], ["loudness", "LUFS"]]);
  found.sections.forEach((/** @type {any} */ one, /** @type {number} */ i) => {
    for (const [key, words] of kinds) note(`${words} of ${plan.sections[i].name}`, one[key]);
    for (const it of one.margins) note(`margin of ${plan.sections[i].name}`, it);
  });
  found.groups.forEach((/** @type {any} */ one, /** @type {number} */ i) => {
    for (const key of ["ratio", "loudness"]) note(`group ${plan.groups[i].name}`, one[key]);
  });
  found.rooms.forEach((/** @type {any} */ one, /** @type {number} */ i) => note(`room ${plan.rooms[i].name}`, one));
  note("the mix", found.mix.loudness);
  const lines = [...reasons].map(([reason, what]) => {
    const more = what.length > MOST_LISTED ? ` and ${what.length - MOST_LISTED} more` : "";
    return element("li", {}, "– ", named(`${what.slice(0, MOST_LISTED).join(", ")}${more}`), `: ${reason}`);
  });
  document.getElementById("reasons")?.replaceChildren(...lines);
}

/** @param {string} id @param {any[]} margins */
function showMargins(id, margins) {
  const place = document.getElementById(id);
  if (!place) return;
  const words = margins.map((one) => `${one.value === null ? "–" : signed(one.value, 1)} over ${one.over.slice(one.over.indexOf(":") + 1)}${one.band === "speech" ? " (speech band)" : ""}`);
  place.replaceChildren(...words.map((one) => element("div", {}, named(one))));
}

/** Every field as the levels are. @param {any} plan @param {Levels} levels @param {Levels} written */
export function showLevels(plan, levels, written) {
  const each = (/** @type {Spot} */ spot) => {
    const field = /** @type {HTMLInputElement | null} */ (document.getElementById(idOf(spot)));
    if (!field) return;
    const value = valueAt(levels, spot);
    if (typeof value === "boolean") field.checked = value;
    else {
      const text = String(value);
      if (field.value !== text) field.value = text;
      field.dataset.shown = text;
    }
    field.classList.toggle("moved", value !== valueAt(written, spot));
  };
  for (let i = 0; i < levels.sections.length; i += 1) {
    for (const key of /** @type {const} */ (["level", "dry", "mute"])) each({ of: "section", at: i, key });
  }
  for (let i = 0; i < levels.sends.length; i += 1) each({ of: "send", at: i, key: "level" });
  for (let i = 0; i < levels.rooms.length; i += 1) {
    for (const key of /** @type {const} */ (["level", "mute"])) each({ of: "room", at: i, key });
  }
}

/** Every figure. @param {any} plan @param {any} found of `Figures.at` @param {boolean} moved */
export function showFigures(plan, found, moved) {
  found.sections.forEach((/** @type {any} */ one, /** @type {number} */ i) => {
    show(`section-${i}-ratio`, one.ratio, 1);
    show(`section-${i}-c80`, one.c80, 1);
    show(`section-${i}-decay`, one.decay, 2);
    show(`section-${i}-loudness`, one.loudness, 1);
    showMargins(`section-${i}-margins`, one.margins);
  });
  found.groups.forEach((/** @type {any} */ one, /** @type {number} */ i) => {
    show(`group-${i}-ratio`, one.ratio, 1);
    show(`group-${i}-loudness`, one.loudness, 1);
    showMargins(`group-${i}-margins`, one.margins);
  });
  found.rooms.forEach((/** @type {any} */ one, /** @type {number} */ i) => show(`room-${i}-loudness`, one, 1));
  found.alternates.forEach((/** @type {any} */ one, /** @type {number} */ i) => show(`alternate-${i}-loudness`, one, 1));
  found.passages.forEach((/** @type {any} */ one, /** @type {number} */ i) => show(`passage-${i}-loudness`, one, 1));
  show("mix-loudness", found.mix.loudness, 1);
  show("mix-ratio", found.mix.ratio, 1);
  show("mix-peak", { value: moved ? null : plan.mix.true_peak_dbtp }, 1);
  showReasons(plan, found);
  found.targets.forEach((/** @type {any} */ one, /** @type {number} */ i) => showTarget(plan.targets[i], one, i));
}

/** @param {any} target @param {any} found @param {number} i */
function showTarget(target, found, i) {
  const row = document.getElementById(`target-${i}`);
  if (!row) return;
  const [now, verdict] = [row.children[2], row.children[3]];
  now.textContent = found.value === null ? "–" : inUnit(target, found.value);
  verdict.textContent = found.met === null ? (found.reason ?? "not known") : found.met ? "met" : "missed";
  row.className = found.met === null ? "unknown" : found.met ? "met" : "missed";
}
