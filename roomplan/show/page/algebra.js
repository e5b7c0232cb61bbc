// @ts-check
// Loudness, margins, clarity and decay of any levels, from what was measured once. Nothing of the page is here.
//
// A step is 100 ms, five hops of 20 ms. U is the factor of a step, G = UᵀU, upper triangle row by row over n
// components; the power of a bus with gains g is |U g|². Gates, windows and percentiles are those of
// ITU-R BS.1770-5 and of roomplan's own margins; every figure here is held against the program's.

const OFFSET_DB = -0.691; // BS.1770-5, Annex 1
const ABSOLUTE_GATE = 10 ** ((-70 - OFFSET_DB) / 10);
const RELATIVE_GATE = 10 ** (-10 / 10);
const HOPS_PER_SECOND = 50;
const STEP_HOPS = 5;
const BLOCK_STEPS = 4; // 400 ms
const WINDOW_STEPS = 30; // 3 s
const SURPLUS_STEPS = (WINDOW_STEPS - BLOCK_STEPS) / 2;
const LOW_SHARE = 0.1;
const MARGIN_LIMIT_DB = 60;
const MOST_KEPT = 16; // components whose cross powers are kept apart: 3 MB for 5 minutes
const MOST_SETS = 60;
const CANCELLED = 1e-13; // below this share of the power in phase the rest is rounding

/** @typedef {{value: number | null, reason: string | null}} Figure */
/** @typedef {{centre_hz: number, early_50: number[][], early_80: number[][], total: number[][],
 *   moment: number[][], meeting: number[], impulse: number}} ClarityForms */
/** @typedef {{frame_s: number, frames: number, products: Float32Array, meeting: number[],
 *   impulse: number}} DecayForms */

/** @param {number} db @returns {number} */
export function amplitude(db) {
  return 10 ** (db / 20);
}

/** Bytes of base64. @param {string} text @returns {Uint8Array<ArrayBuffer>} */
export function bytesOf(text) {
  const raw = atob(text.replace(/\s+/g, ""));
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i += 1) bytes[i] = raw.charCodeAt(i);
  return bytes;
}

/** Numbers of base64, little-endian as all machines with browsers are. @param {string} text */
export function floatsOf(text) {
  return new Float32Array(bytesOf(text).buffer);
}

/** First frame of a hop, halves rounded up. @param {number} hop @param {number} rate */
function hopStart(hop, rate) {
  return Math.floor((2 * hop * rate + HOPS_PER_SECOND) / (2 * HOPS_PER_SECOND));
}

/** Powers of a stretch of sound: its factor, and what belongs to it alone. */
export class Powers {
  /**
   * @param {Float32Array} factor steps × pairs
   * @param {number} components
   * @param {number} hops whole hops in it
   */
  constructor(factor, components, hops) {
    this.components = components;
    this.hops = hops;
    this.steps = Math.ceil(hops / STEP_HOPS);
    this.factor = factor;
    /** @type {Map<string, Float64Array>} */
    this.kept = new Map();
    this.pairs = (components * (components + 1)) / 2;
    this.own = new Float64Array(this.steps * components);
    for (let step = 0; step < this.steps; step += 1) {
      let at = step * this.pairs;
      for (let row = 0; row < components; row += 1) {
        for (let column = row; column < components; column += 1, at += 1) {
          this.own[step * components + column] += factor[at] * factor[at];
        }
      }
    }
    for (let i = 0; i < this.own.length; i += 1) this.own[i] = Math.sqrt(this.own[i]);
  }

  /** Steps of a passage that begins on one. @param {number} first @param {number} hops */
  part(first, hops) {
    const count = Math.ceil(hops / STEP_HOPS);
    const factor = this.factor.subarray(first * this.pairs, (first + count) * this.pairs);
    return new Powers(factor, this.components, hops);
  }

  /**
   * Weighted power of a bus in every step.
   * @param {ArrayLike<number>} gains of all components; 0 of those that are not in the bus
   * @returns {Float64Array}
   */
  sums(gains) {
    const members = [];
    for (let i = 0; i < this.components; i += 1) if (gains[i] !== 0) members.push(i);
    if (!members.length) return new Float64Array(this.steps);
    const weights = Float64Array.from(members, (member) => gains[member]);
    const sums = 2 * members.length < this.components && members.length <= MOST_KEPT ? this.sumsOfFew(members, weights) : this.sumsOfMany(members, weights);
    for (let step = 0; step < this.steps; step += 1) {
      let inPhase = 0;
      for (let k = 0; k < members.length; k += 1) inPhase += Math.abs(weights[k]) * this.own[step * this.components + members[k]];
      if (sums[step] < CANCELLED * inPhase * inPhase) sums[step] = 0;
    }
    return sums;
  }

  /** |U g|² from the rows of the factor. @param {number[]} members @param {Float64Array} weights */
  sumsOfMany(members, weights) {
    const { starts, firsts } = this.rowsOf(members);
    const sums = new Float64Array(this.steps);
    for (let step = 0; step < this.steps; step += 1) {
      const base = step * this.pairs;
      let power = 0;
      for (let row = 0; row < starts.length; row += 1) {
        let amount = 0;
        const start = base + starts[row];
        for (let k = firsts[row]; k < members.length; k += 1) amount += this.factor[start + members[k]] * weights[k];
        power += amount * amount;
      }
      sums[step] = power;
    }
    return sums;
  }

  /** gᵀGg from the cross powers of a few components, which are computed once and kept.
   * @param {number[]} members @param {Float64Array} weights */
  sumsOfFew(members, weights) {
    const key = members.join();
    let gram = this.kept.get(key);
    if (!gram) {
      gram = this.gramOf(members);
      if (this.kept.size >= MOST_SETS) this.kept.delete(/** @type {string} */ (this.kept.keys().next().value));
      this.kept.set(key, gram);
    }
    const sums = new Float64Array(this.steps);
    let at = 0;
    for (let step = 0; step < this.steps; step += 1) {
      let power = 0;
      for (let i = 0; i < members.length; i += 1) {
        let amount = gram[at] * weights[i];
        at += 1;
        for (let j = i + 1; j < members.length; j += 1, at += 1) amount += 2 * gram[at] * weights[j];
        power += weights[i] * amount;
      }
      sums[step] = power;
    }
    return sums;
  }

  /** Cross powers of some components in every step, upper triangles. @param {number[]} members */
  gramOf(members) {
    const { starts, firsts } = this.rowsOf(members);
    const count = members.length;
    const size = (count * (count + 1)) / 2;
    const gram = new Float64Array(this.steps * size);
    const values = new Float64Array(count);
    for (let step = 0; step < this.steps; step += 1) {
      for (let row = 0; row < starts.length; row += 1) {
        const start = step * this.pairs + starts[row];
        const first = firsts[row];
        for (let k = first; k < count; k += 1) values[k] = this.factor[start + members[k]];
        let at = step * size + first * count - (first * (first - 1)) / 2;
        for (let i = first; i < count; i += 1) {
          for (let j = i; j < count; j += 1, at += 1) gram[at] += values[i] * values[j];
        }
      }
    }
    return gram;
  }

  /** Of each row of the factor that reaches some components: where column 0 would be, and the first of them in it.
   * @param {number[]} members ascending */
  rowsOf(members) {
    const rows = members[members.length - 1] + 1;
    const starts = new Int32Array(rows);
    const firsts = new Int32Array(rows);
    for (let row = 0; row < rows; row += 1) {
      starts[row] = row * this.components - (row * (row - 1)) / 2 - row;
      firsts[row] = members.findIndex((member) => member >= row);
    }
    return { starts, firsts };
  }
}

/** Mean power of every whole block of 400 ms, 100 ms apart.
 * @param {Float64Array} sums @param {number} hops @param {number} rate @returns {Float64Array} */
export function blockPowers(sums, hops, rate) {
  const count = Math.max(0, Math.floor(hops / STEP_HOPS) - BLOCK_STEPS + 1);
  return windowPowers(sums, count, BLOCK_STEPS, rate);
}

/** @param {Float64Array} sums @param {number} count @param {number} steps @param {number} rate */
function windowPowers(sums, count, steps, rate) {
  const found = new Float64Array(count);
  for (let k = 0; k < count; k += 1) {
    let total = 0;
    for (let step = k; step < k + steps; step += 1) total += sums[step];
    const frames = hopStart((k + steps) * STEP_HOPS, rate) - hopStart(k * STEP_HOPS, rate);
    found[k] = total / frames;
  }
  return found;
}

/** Which blocks pass both gates; what lies exactly on one does not. @param {Float64Array} blocks @returns {boolean[]} */
export function passingBlocks(blocks) {
  let total = 0;
  let count = 0;
  for (const block of blocks) {
    if (block > ABSOLUTE_GATE) {
      total += block;
      count += 1;
    }
  }
  const relative = count ? (total / count) * RELATIVE_GATE : Infinity;
  return Array.from(blocks, (block) => block > ABSOLUTE_GATE && block > relative);
}

/** @param {Float64Array} blocks @param {boolean[]} passing @returns {number} mean; 0 where none passes */
function meanOver(blocks, passing) {
  let total = 0;
  let count = 0;
  for (let k = 0; k < blocks.length; k += 1) {
    if (passing[k]) {
      total += blocks[k];
      count += 1;
    }
  }
  return count ? total / count : 0;
}

/** @param {Float64Array} sums @returns {boolean} */
function sounds(sums) {
  return sums.some((power) => power > 0);
}

/** Why nothing passes the gates. @param {string} name @param {Float64Array} sums */
function whyNothingPasses(name, sums) {
  return sounds(sums) ? `${name} never passes the gates of BS.1770` : `${name} is silent`;
}

/** Integrated loudness in LUFS. @param {Float64Array} sums @param {number} hops @param {number} rate @returns {Figure} */
export function integratedLoudness(sums, hops, rate) {
  const blocks = blockPowers(sums, hops, rate);
  if (!blocks.length) return { value: null, reason: "shorter than 400 ms" };
  const power = meanOver(blocks, passingBlocks(blocks));
  if (power <= 0) return { value: null, reason: whyNothingPasses("the sound", sums) };
  return { value: OFFSET_DB + 10 * Math.log10(power), reason: null };
}

/** Loudness of every window, as a running meter shows it: time of its end and LUFS, −Infinity for silence.
 * @param {Float64Array} sums @param {number} hops @param {number} rate @param {"momentary" | "short-term"} kind */
export function loudnessCourse(sums, hops, rate, kind) {
  const steps = kind === "momentary" ? BLOCK_STEPS : WINDOW_STEPS;
  const count = Math.max(0, Math.floor(hops / STEP_HOPS) - steps + 1);
  const powers = windowPowers(sums, count, steps, rate);
  return {
    times: Float64Array.from(powers, (_power, k) => ((k + steps) * STEP_HOPS) / HOPS_PER_SECOND),
    levels: Float64Array.from(powers, (power) => OFFSET_DB + 10 * Math.log10(power)),
  };
}

/** Wet over dry in dB over the blocks in which the dry passes its gates.
 * @param {Float64Array} wet @param {Float64Array} dry @param {number} hops @param {number} rate @returns {Figure} */
export function wetToDry(wet, dry, hops, rate) {
  const dryBlocks = blockPowers(dry, hops, rate);
  const passing = passingBlocks(dryBlocks);
  if (!passing.includes(true)) return { value: null, reason: whyNothingPasses("the dry sound", dry) };
  const power = meanOver(blockPowers(wet, hops, rate), passing);
  if (power <= 0) return { value: null, reason: "nothing comes back from the rooms" };
  return { value: 10 * Math.log10(power / meanOver(dryBlocks, passing)), reason: null };
}

/** Margin kept or exceeded nine tenths of the time, in dB.
 * @param {Float64Array} of @param {Float64Array} over @param {Float64Array} gate K-weighted power of the first
 * @param {number} hops @param {number} rate @returns {Figure} */
export function margin(of, over, gate, hops, rate) {
  if (hops < WINDOW_STEPS * STEP_HOPS) return { value: null, reason: "a margin needs 3 s of sound" };
  if (!sounds(gate)) return { value: null, reason: "`of` is digital silence" };
  const heard = passingBlocks(blockPowers(gate, hops, rate));
  if (!heard.includes(true)) return { value: null, reason: "`of` never passes the gates of BS.1770" };
  const margins = [];
  for (let block = 0; block < heard.length; block += 1) {
    if (!heard[block]) continue;
    const above = around(of, block);
    const below = around(over, block);
    if (above > 0 || below > 0) margins.push(10 * Math.log10(above) - 10 * Math.log10(below));
  }
  if (!margins.length) return { value: null, reason: "neither has any power in this band while `of` sounds" };
  margins.sort((one, other) => one - other);
  const low = margins[Math.floor((margins.length - 1) * LOW_SHARE + 0.5)];
  const reason = Math.abs(low) > MARGIN_LIMIT_DB ? "60 dB or more" : null;
  return { value: Math.min(Math.max(low, -MARGIN_LIMIT_DB), MARGIN_LIMIT_DB), reason };
}

/** Sum over the 3 s around a block, silence outside. @param {Float64Array} sums @param {number} block */
function around(sums, block) {
  let total = 0;
  const first = block - SURPLUS_STEPS;
  for (let step = Math.max(0, first); step < Math.min(sums.length, first + WINDOW_STEPS); step += 1) total += sums[step];
  return total;
}

/** gᵀMg. @param {number[][]} matrix @param {ArrayLike<number>} gains */
function form(matrix, gains) {
  let total = 0;
  for (let i = 0; i < matrix.length; i += 1) {
    for (let j = 0; j < matrix.length; j += 1) total += gains[i] * matrix[i][j] * gains[j];
  }
  return total;
}

/**
 * Clarity, definition or centre time (dB, a share, seconds) from the forms: mean of the octaves.
 * @param {ClarityForms[]} octaves
 * @param {ArrayLike<number>} gains of the sends, against their written ones
 * @param {number} dry gain of the dry path, likewise; 0: off
 * @param {"c80" | "d50" | "centre_time"} kind
 * @returns {number} NaN without an octave, or where nothing is late
 */
export function clarity(octaves, gains, dry, kind) {
  let total = 0;
  for (const octave of octaves) {
    const whole = form(octave.total, gains);
    const matrix = kind === "c80" ? octave.early_80 : octave.early_50;
    const wetEarly = form(matrix, gains);
    let early = wetEarly + dry * dry * octave.impulse;
    for (let i = 0; i < octave.meeting.length; i += 1) early += dry * gains[i] * octave.meeting[i];
    const late = whole - wetEarly;
    if (!(late > 0)) return NaN;
    if (kind === "c80") total += 10 * Math.log10(early / late);
    else if (kind === "d50") total += early / (early + late);
    else total += form(octave.moment, gains) / (early + late);
  }
  return octaves.length ? total / octaves.length : NaN;
}

/**
 * Decay of a section with its dry impulse: energy left at the start of every frame, relative to all of it.
 * @param {DecayForms} forms @param {ArrayLike<number>} gains @param {number} dry
 * @returns {Float64Array} one more than frames; the first is 1
 */
export function decayCurve(forms, gains, dry) {
  const n = forms.meeting.length;
  const energy = new Float64Array(forms.frames);
  let pair = 0;
  for (let i = 0; i < n; i += 1) {
    for (let j = i; j < n; j += 1, pair += 1) {
      const weight = gains[i] * gains[j] * (i === j ? 1 : 2);
      if (weight === 0) continue;
      const at = pair * forms.frames;
      for (let k = 0; k < forms.frames; k += 1) energy[k] += weight * forms.products[at + k];
    }
  }
  const curve = new Float64Array(forms.frames + 1);
  for (let k = forms.frames - 1; k >= 0; k -= 1) curve[k] = curve[k + 1] + Math.max(0, energy[k]);
  let impulse = dry * dry * forms.impulse;
  for (let i = 0; i < n; i += 1) impulse += 2 * dry * gains[i] * forms.meeting[i];
  const all = curve[0] + impulse;
  for (let k = 0; k <= forms.frames; k += 1) curve[k] = all > 0 ? curve[k] / all : 0;
  return curve;
}

/** Seconds until a decay curve has fallen by a level; NaN where it never has.
 * @param {Float64Array} curve @param {number} frameS @param {number} levelDb below 0 */
export function timeToLevel(curve, frameS, levelDb) {
  const limit = 10 ** (levelDb / 10);
  const index = curve.findIndex((left) => left <= limit);
  if (index < 0) return NaN;
  if (index === 0) return 0;
  const before = curve[index - 1];
  const after = Math.max(curve[index], 1e-300);
  return (index - 1 + Math.min(1, Math.log(before / limit) / Math.log(before / after))) * frameS;
}
