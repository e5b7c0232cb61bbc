// @ts-check
// Pictures as SVG: loudness over time, the decay of what a section gets, the stage from above. Words are text.

const NAMESPACE = "http://www.w3.org/2000/svg";
const NARROWEST = 300;
const LEFT = 44;
const RIGHT = 12;
const TOP = 10;
const BOTTOM = 26;
const LETTER = 6.4; // width of one, about
const MOST_NAMED = 14; // seats with names beside them
const ROOM_FOR_TIME = 75; // between circles, for words about time
const SPEED_OF_SOUND = 343; // m/s in air of 20 °C (ISO 9613-1, from memory)

/** @param {string} name @param {Record<string, string | number>} [attributes] @param {string} [text] */
function drawn(name, attributes = {}, text = "") {
  const element = document.createElementNS(NAMESPACE, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, String(value));
  if (text) element.textContent = text;
  return element;
}

/** Width of a picture in its place: its words have one size everywhere. @param {Element} place */
export function widthOf(place) {
  return Math.max(NARROWEST, Math.round(place.clientWidth) || 720);
}

/** An empty picture with a name for whoever does not see it. @param {string} title @param {number} width @param {number} height */
function picture(title, width, height) {
  const svg = drawn("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": title, class: "picture" });
  svg.append(drawn("title", {}, title));
  return svg;
}

/** A scale from values to the picture. @param {number} from @param {number} to @param {number} low @param {number} high */
function scale(from, to, low, high) {
  return (/** @type {number} */ value) => low + ((value - from) / (to - from || 1)) * (high - low);
}

/** Step of a scale that people count in. @param {number} span @param {number} count */
function stepOf(span, count) {
  const rough = span / count;
  const power = 10 ** Math.floor(Math.log10(rough));
  return [1, 2, 5, 10].map((one) => one * power).find((one) => one >= rough) ?? 10 * power;
}

/** Lines and numbers of both scales.
 * @param {SVGElement} svg @param {number} width @param {number} height
 * @param {{x: (v: number) => number, y: (v: number) => number, xs: number[], ys: number[], xWords: (v: number) => string}} axes */
function grid(svg, width, height, axes) {
  for (const value of axes.ys) {
    svg.append(drawn("line", { x1: LEFT, x2: width - RIGHT, y1: axes.y(value), y2: axes.y(value), class: "grid" }));
    svg.append(drawn("text", { x: LEFT - 6, y: axes.y(value) + 4, "text-anchor": "end" }, String(value).replace("-", "−")));
  }
  for (const value of axes.xs) {
    svg.append(drawn("text", { x: axes.x(value), y: height - 8, "text-anchor": "middle" }, axes.xWords(value)));
  }
}

/** @param {number} from @param {number} to @param {number} count @returns {number[]} */
function ticks(from, to, count) {
  const step = stepOf(to - from, count);
  const found = [];
  for (let value = Math.ceil(from / step) * step; value <= to + 1e-9; value += step) found.push(Number(value.toFixed(6)));
  return found;
}

/** Seconds as a clock says them. @param {number} seconds */
export function clock(seconds) {
  const whole = Math.floor(seconds + 1e-6);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/** A curve, thinned to what a picture can show: the highest and the lowest value of every column.
 * @param {ArrayLike<number>} xs @param {ArrayLike<number>} ys @param {(v: number) => number} x @param {(v: number) => number} y
 * @param {number} floor @param {string} kind */
function curve(xs, ys, x, y, floor, kind) {
  const points = [];
  const columns = 700;
  const size = Math.max(1, Math.floor(xs.length / columns));
  for (let start = 0; start < xs.length; start += size) {
    let low = start;
    let high = start;
    for (let i = start; i < Math.min(xs.length, start + size); i += 1) {
      if (ys[i] < ys[low]) low = i;
      if (ys[i] > ys[high]) high = i;
    }
    for (const i of low === high ? [low] : [Math.min(low, high), Math.max(low, high)]) {
      points.push(`${x(xs[i]).toFixed(1)},${y(Math.max(floor, ys[i])).toFixed(1)}`);
    }
  }
  return drawn("polyline", { points: points.join(" "), class: `curve ${kind}` });
}

/**
 * Short-term loudness of the mix over the cue.
 * @param {any} plan @param {{times: Float64Array, levels: Float64Array}} moved
 * @param {{times: Float64Array, levels: Float64Array}} written @param {number} width
 * @returns {{svg: SVGElement, x: (seconds: number) => number, seconds: (x: number) => number, height: number}}
 */
export function loudnessPicture(plan, moved, written, width) {
  const height = 220;
  const svg = picture("Short-term loudness of the mix over the cue, as moved and as written", width, height);
  const finite = [...moved.levels, ...written.levels].filter((one) => Number.isFinite(one));
  const top = Math.ceil((Math.max(-30, ...finite) + 2) / 5) * 5;
  const floor = top - 40;
  const x = scale(0, plan.duration_s, LEFT, width - RIGHT);
  const y = scale(floor, top, height - BOTTOM, TOP);
  plan.passages.forEach((/** @type {any} */ one, /** @type {number} */ i) => {
    const [from, to] = [x(one.start_s), x(Math.min(plan.duration_s, one.end_s))];
    svg.append(drawn("rect", { x: from, y: TOP, width: Math.max(0, to - from), height: height - TOP - BOTTOM, class: "passage" }));
    svg.append(drawn("text", { x: from + 4, y: TOP + 14 + (i % 3) * 14 }, one.name));
  });
  grid(svg, width, height, { x, y, xs: ticks(0, plan.duration_s, width / 90), ys: ticks(floor, top, 4), xWords: clock });
  if (plan.sound) {
    const from = x(plan.sound.start_s);
    const to = x(plan.sound.start_s + plan.sound.frames / plan.sample_rate);
    svg.append(drawn("line", { x1: from, x2: to, y1: height - BOTTOM, y2: height - BOTTOM, class: "heard" }));
  }
  svg.append(curve(written.times, written.levels, x, y, floor, "written"));
  svg.append(curve(moved.times, moved.levels, x, y, floor, "moved"));
  const back = scale(LEFT, width - RIGHT, 0, plan.duration_s);
  return { svg, x, seconds: (at) => back(at), height };
}

/**
 * Decay of a section with its dry hit.
 * @param {string} name @param {number} frameS @param {Float64Array} moved @param {Float64Array} written
 * @param {number} width
 */
export function decayPicture(name, frameS, moved, written, width) {
  const height = 220;
  const svg = picture(`Decay of what ${name} gets, its dry hit included, in dB over seconds`, width, height);
  const levels = (/** @type {Float64Array} */ one) => Float64Array.from(one, (left) => 10 * Math.log10(left));
  const last = (/** @type {Float64Array} */ one) => one.findLastIndex((left) => left > 1e-6);
  const seconds = Math.max(0.5, (Math.max(last(moved), last(written)) + 1) * frameS);
  const x = scale(0, seconds, LEFT, width - RIGHT);
  const y = scale(-60, 0, height - BOTTOM, TOP);
  grid(svg, width, height, { x, y, xs: ticks(0, seconds, width / 90), ys: [-60, -50, -40, -30, -20, -10, 0], xWords: (one) => `${one} s` });
  svg.append(drawn("line", { x1: LEFT, x2: width - RIGHT, y1: y(-40), y2: y(-40), class: "mark" }));
  for (const [values, kind] of /** @type {[Float64Array, string][]} */ ([[written, "written"], [moved, "moved"]])) {
    const end = values.findLastIndex((left) => left > 1e-6) + 1;
    const times = Float64Array.from({ length: end }, (_one, k) => k * frameS);
    svg.append(curve(times, levels(values).subarray(0, end), x, y, -60, kind));
  }
  return svg;
}

/** The stage from above, microphones below: seats, and circles that sound reaches at the same time. Many seats have
 * numbers, and a list of what they are.
 * @param {any} plan @param {number} width @returns {{svg: SVGElement, numbered: boolean, list: string[]} | null} null where no section has a seat */
export function stagePicture(plan, width) {
  const places = plan.sections.flatMap((/** @type {any} */ one) => {
    if (one.seat === null) return [];
    const angle = (one.seat.angle_deg * Math.PI) / 180;
    const wet = one.wet_onset_s === null ? "" : `, rooms ${(one.wet_onset_s * 1000).toFixed(0)} ms later`;
    return [{ name: one.name, wet, x: one.seat.distance_m * Math.sin(angle), y: one.seat.distance_m * Math.cos(angle) }];
  });
  if (!places.length) return null;
  const far = Math.max(...places.map((/** @type {any} */ one) => Math.hypot(one.x, one.y)));
  const low = Math.min(0, ...places.map((/** @type {any} */ one) => one.y));
  const step = stepOf(far, 4);
  const reach = Math.ceil((far * 1.05) / step) * step;
  const unit = Math.min(260 / (reach - low), (width / 2 - 40) / reach);
  const base = (reach - low) * unit + 24;
  const height = base + 34;
  const narrow = width < 560; // words that would meet are left out
  const numbered = places.length > MOST_NAMED;
  const svg = picture("The stage from above: seats of the sections as the microphones see them", width, height);
  const x = (/** @type {number} */ metres) => width / 2 + metres * unit;
  const y = (/** @type {number} */ metres) => base - (metres - low) * unit;
  for (let ring = step; ring <= reach + 1e-9; ring += step) {
    const radius = ring * unit;
    svg.append(drawn("path", { d: `M ${x(0) - radius} ${y(0)} A ${radius} ${radius} 0 0 1 ${x(0) + radius} ${y(0)}`, class: "ring" }));
    const words = `${Number(ring.toFixed(2))} m${step * unit < ROOM_FOR_TIME ? "" : `, ${Math.round((ring / SPEED_OF_SOUND) * 1000)} ms`}`;
    svg.append(drawn("text", { x: x(0) + radius + 4, y: y(0) + 14, class: "small" }, words));
  }
  svg.append(drawn("text", { x: x(0), y: y(0) + 18, "text-anchor": "middle" }, "microphones"));
  svg.append(drawn("rect", { x: x(0) - 3, y: y(0) - 3, width: 6, height: 6, class: "seat" }));
  const words = places.map((/** @type {any} */ one, /** @type {number} */ i) => (numbered ? String(i + 1) : `${one.name}${narrow ? "" : one.wet}`));
  const seats = places.map((/** @type {any} */ one) => ({ x: x(one.x), y: y(one.y) }));
  labels(words, seats, width).forEach((label, i) => {
    svg.append(drawn("circle", { cx: seats[i].x, cy: seats[i].y, r: 4, class: "seat" }));
    svg.append(drawn("text", { x: label.from, y: label.y, class: numbered ? "small" : "name" }, words[i]));
  });
  return { svg, numbered, list: numbered || narrow ? places.map((/** @type {any} */ one) => `${one.name}${one.wet}`) : [] };
}

/** Where words beside seats stand: on the side on which they meet the fewest others.
 * @param {string[]} words @param {{x: number, y: number}[]} seats @param {number} width
 * @returns {{from: number, to: number, y: number}[]} */
function labels(words, seats, width) {
  /** @type {{from: number, to: number, y: number}[]} */
  const taken = seats.map((one) => ({ from: one.x - 5, to: one.x + 5, y: one.y + 5 }));
  return words.map((text, i) => {
    const { x, y } = seats[i];
    const size = text.length * LETTER;
    const sides = [x + 8, x - 8 - size].flatMap((from) => [4, -8, 16].map((down) => ({ from, to: from + size, y: y + down })));
    const faults = sides.map((one) => {
      const beyond = one.from < 0 || one.to > width ? 10 : 0;
      return beyond + taken.filter((it, k) => k !== i && Math.abs(it.y - one.y) < 12 && it.from < one.to && one.from < it.to).length;
    });
    const best = sides[faults.indexOf(Math.min(...faults))];
    taken.push(best);
    return best;
  });
}

/** The line at the moment that is heard. @param {SVGElement} svg @param {number} x @param {number} height */
export function setPlayhead(svg, x, height) {
  let line = svg.querySelector(".now");
  if (!line) {
    line = drawn("line", { y1: TOP, y2: height - BOTTOM, class: "now" });
    svg.append(line);
  }
  line.setAttribute("x1", String(x));
  line.setAttribute("x2", String(x));
}
