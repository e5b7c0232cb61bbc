// @ts-check
// What a plan comes to at some levels: gains of components, figures of its buses, targets. No element is touched.

import { Powers, amplitude, clarity, decayCurve, floatsOf, integratedLoudness, loudnessCourse, margin, timeToLevel, wetToDry } from "./algebra.js";

/** @typedef {import("./algebra.js").Figure} Figure */
/** @typedef {{sections: {level: number, dry: number, mute: boolean}[], sends: number[],
 *   rooms: {level: number, mute: boolean}[]}} Levels sends has a number for every component, 0 for a dry one */
/** @typedef {{key: string, text: string, value: number | null, met: boolean | null, reason: string | null}} Judged */

const NOT_MEASURED = "the section is muted in the plan, so it was not measured";
const NOT_BY_ALGEBRA = "not known once levels have moved: roomplan check measures it";

/** Levels as the plan has them. @param {any} plan @returns {Levels} */
export function writtenLevels(plan) {
  return {
    sections: plan.sections.map((/** @type {any} */ one) => ({ level: one.level_db, dry: one.dry_db ?? 0, mute: one.mute })),
    sends: plan.components.map((/** @type {any} */ one) => (one.send ? one.send.level_db : 0)),
    rooms: plan.rooms.map((/** @type {any} */ one) => ({ level: one.level_db, mute: one.mute })),
  };
}

/** A plan with everything unpacked that its figures need. */
export class Figures {
  /** @param {any} plan the document */
  constructor(plan) {
    this.plan = plan;
    this.rate = plan.sample_rate;
    this.written = writtenLevels(plan);
    const count = plan.components.length;
    const unpack = (/** @type {any} */ powers, /** @type {string} */ key) =>
      powers[key] === null ? null : new Powers(floatsOf(powers[key]), count, powers.hops);
    this.cue = { full: /** @type {Powers} */ (unpack(plan.powers, "factor")), speech: unpack(plan.powers, "speech_band") };
    this.passages = plan.passages.map((/** @type {any} */ one) =>
      one.powers
        ? { full: unpack(one.powers, "factor"), speech: unpack(one.powers, "speech_band") }
        : { full: this.cue.full.part(one.first_step, one.hops), speech: this.cue.speech && this.cue.speech.part(one.first_step, one.hops) },
    );
    const sectionAt = new Map(plan.sections.map((/** @type {any} */ one, /** @type {number} */ i) => [one.name, i]));
    const roomAt = new Map(plan.rooms.map((/** @type {any} */ one, /** @type {number} */ i) => [one.name, i]));
    this.components = plan.components.map((/** @type {any} */ one) => ({
      section: /** @type {number} */ (sectionAt.get(one.section)),
      room: one.room === null ? null : /** @type {number} */ (roomAt.get(one.room)),
    }));
    this.decays = plan.sections.map((/** @type {any} */ one) => one.decay && { ...one.decay, products: floatsOf(one.decay.products) });
    this.offsets = plan.sections.map((/** @type {any} */ _one, /** @type {number} */ i) => this.offsetsOf(i));
  }

  /** Gains of all components against their written ones; 0 of what is muted.
   * @param {Levels} levels @returns {Float64Array} */
  gains(levels) {
    return Float64Array.from(this.components, (/** @type {any} */ one, /** @type {number} */ i) => this.gain(levels, one, i, levels.sections[one.section].mute));
  }

  /** @param {Levels} levels @param {{section: number, room: number | null}} one @param {number} i @param {boolean} mute */
  gain(levels, one, i, mute) {
    const section = levels.sections[one.section];
    if (mute || (one.room !== null && levels.rooms[one.room].mute)) return 0;
    return amplitude(section.level - this.written.sections[one.section].level + this.ownMove(levels, one, i));
  }

  /** dB by which a component has moved apart from the level of its section.
   * @param {Levels} levels @param {{section: number, room: number | null}} one @param {number} i */
  ownMove(levels, one, i) {
    if (one.room === null) return levels.sections[one.section].dry - this.written.sections[one.section].dry;
    return levels.sends[i] - this.written.sends[i] + levels.rooms[one.room].level - this.written.rooms[one.room].level;
  }

  /** Gains of the components that are asked for, 0 elsewhere.
   * @param {Float64Array} gains @param {(one: {section: number, room: number | null}) => boolean} wanted */
  only(gains, wanted) {
    return gains.map((gain, i) => (wanted(this.components[i]) ? gain : 0));
  }

  /** Places of the sections that `section:NAME` or `group:NAME` holds. @param {string} bus @returns {Set<number>} */
  sectionsOf(bus) {
    const colon = bus.indexOf(":");
    const name = bus.slice(colon + 1);
    const names = bus.startsWith("group:") ? this.plan.groups.find((/** @type {any} */ one) => one.name === name)?.sections ?? [] : [name];
    return new Set(this.plan.sections.flatMap((/** @type {any} */ one, /** @type {number} */ i) => (names.includes(one.name) ? [i] : [])));
  }

  /** Gains of an alternate. @param {Levels} levels @param {any} alternate */
  alternateGains(levels, alternate) {
    return Float64Array.from(this.components, (/** @type {any} */ one, /** @type {number} */ i) => {
      const name = this.plan.sections[one.section].name;
      const change = alternate.changes.find((/** @type {any} */ it) => it.section === name);
      const mute = change?.mute ?? levels.sections[one.section].mute;
      const gain = this.gain(levels, one, i, mute);
      if (!change) return gain;
      const room = one.room === null ? null : this.plan.rooms[one.room].name;
      const send = change.sends.find((/** @type {any} */ it) => it.room === room);
      const own = room === null ? change.dry_db : send ? send.level_db : 0;
      return own === null ? 0 : gain * amplitude(change.level_db + own);
    });
  }

  /** Gains a section's sends and dry path have apart from its level. @param {Levels} levels @param {number} section */
  pathsOf(levels, section) {
    /** @type {number[]} */
    const sends = [];
    let dry = 0;
    this.components.forEach((/** @type {any} */ one, /** @type {number} */ i) => {
      if (one.section !== section) return;
      const muted = one.room !== null && levels.rooms[one.room].mute;
      const gain = muted ? 0 : amplitude(this.ownMove(levels, one, i));
      if (one.room === null) dry = gain;
      else sends.push(gain);
    });
    return { sends, dry };
  }

  /** What the full measurement says beyond the forms, as written. @param {number} section */
  offsetsOf(section) {
    const { measured, clarity: octaves } = this.plan.sections[section];
    const { sends, dry } = this.pathsOf(this.written, section);
    const target = (/** @type {string} */ kind) =>
      this.plan.targets.find((/** @type {any} */ one) => one.kind === kind && one.of === `section:${this.plan.sections[section].name}`)?.written.value ?? null;
    const off = (/** @type {number | null} */ full, /** @type {"c80" | "d50" | "centre_time"} */ kind) =>
      full === null ? NaN : full - clarity(octaves, sends, dry, kind);
    const decay = this.decays[section];
    return {
      c80: off(measured.c80_db, "c80"),
      d50: off(target("least_d50"), "d50"),
      centre_time: off(target("longest_centre_time"), "centre_time"),
      decay:
        decay && measured.decay_to_minus_40_s !== null
          ? measured.decay_to_minus_40_s - timeToLevel(decayCurve(decay, sends, dry), decay.frame_s, -40)
          : NaN,
    };
  }

  /** @param {Levels} levels @param {number} section @param {"c80" | "d50" | "centre_time"} kind @returns {Figure} */
  clarityOf(levels, section, kind) {
    const one = this.plan.sections[section];
    if (levels.sections[section].mute) return { value: null, reason: "muted" };
    const { sends, dry } = this.pathsOf(levels, section);
    const value = clarity(one.clarity, sends, dry, kind) + this.offsets[section][kind];
    const why = this.written.sections[section].mute ? NOT_MEASURED : (one.measured.reasons.c80_db ?? one.measured.reasons.decay ?? "nothing comes back from the rooms");
    return Number.isFinite(value) ? { value, reason: null } : { value: null, reason: why };
  }

  /** @param {Levels} levels @param {number} section @returns {Figure} */
  decayOf(levels, section) {
    const one = this.plan.sections[section];
    if (levels.sections[section].mute) return { value: null, reason: "muted" };
    const curve = this.curveOf(levels, section);
    const value = curve ? timeToLevel(curve, one.decay.frame_s, -40) + this.offsets[section].decay : NaN;
    const why = this.written.sections[section].mute ? NOT_MEASURED : (one.measured.reasons.decay_to_minus_40_s ?? "the response ends before");
    return Number.isFinite(value) ? { value, reason: null } : { value: null, reason: why };
  }

  /** @param {Levels} levels @param {number} section @returns {Float64Array | null} */
  curveOf(levels, section) {
    const decay = this.decays[section];
    if (!decay) return null;
    const { sends, dry } = this.pathsOf(levels, section);
    return decayCurve(decay, sends, dry);
  }

  /** @param {Float64Array} gains @returns {Figure} integrated loudness of the whole cue */
  loudness(gains) {
    return integratedLoudness(this.cue.full.sums(gains), this.cue.full.hops, this.rate);
  }

  /** @param {Float64Array} gains @param {"momentary" | "short-term"} kind */
  course(gains, kind) {
    return loudnessCourse(this.cue.full.sums(gains), this.cue.full.hops, this.rate, kind);
  }

  /** @param {Float64Array} gains @param {string | null} [room] only what this room returns @returns {Figure} */
  ratio(gains, room = null) {
    const isWet = (/** @type {any} */ one) => one.room !== null && (room === null || this.plan.rooms[one.room].name === room);
    const wet = this.cue.full.sums(this.only(gains, isWet));
    const dryGains = this.only(gains, (one) => one.room === null);
    if (!dryGains.some((gain) => gain !== 0)) return { value: null, reason: "dry is off or muted" };
    return wetToDry(wet, this.cue.full.sums(dryGains), this.cue.full.hops, this.rate);
  }

  /** @param {Float64Array} gains @param {string} of @param {string} over @param {string} band @param {string | null} passage @returns {Figure} */
  marginOf(gains, of, over, band, passage) {
    const place = this.plan.passages.findIndex((/** @type {any} */ one) => one.name === passage);
    const powers = passage === null ? this.cue : this.passages[place];
    const weighted = band === "speech" ? powers.speech : powers.full;
    if (!weighted) return { value: null, reason: "its band is not in this page" };
    const bus = (/** @type {string} */ name) => {
      const sections = this.sectionsOf(name);
      return this.only(gains, (one) => sections.has(one.section));
    };
    const [above, below] = [bus(of), bus(over)];
    return margin(weighted.sums(above), weighted.sums(below), powers.full.sums(above), weighted.hops, this.rate);
  }

  /** Everything the sheet shows. @param {Levels} levels */
  at(levels) {
    const gains = this.gains(levels);
    const hops = this.cue.full.hops;
    const mix = this.cue.full.sums(gains);
    return {
      gains,
      mix: { loudness: integratedLoudness(mix, hops, this.rate), ratio: this.ratio(gains) },
      sections: this.plan.sections.map((/** @type {any} */ one, /** @type {number} */ i) => {
        const own = this.only(gains, (it) => it.section === i);
        return {
          loudness: this.loudness(own),
          ratio: this.ratio(own),
          c80: this.clarityOf(levels, i, "c80"),
          decay: this.decayOf(levels, i),
          margins: this.plan.margins
            .filter((/** @type {any} */ it) => it.of === `section:${one.name}`)
            .map((/** @type {any} */ it) => ({ over: it.over, band: it.band, ...this.marginOf(gains, it.of, it.over, it.band, null) })),
        };
      }),
      groups: this.plan.groups.map((/** @type {any} */ one) => {
        const members = this.sectionsOf(`group:${one.name}`);
        const own = this.only(gains, (it) => members.has(it.section));
        return {
          loudness: this.loudness(own),
          ratio: this.ratio(own),
          margins: this.plan.margins
            .filter((/** @type {any} */ it) => it.of === `group:${one.name}`)
            .map((/** @type {any} */ it) => ({ over: it.over, band: it.band, ...this.marginOf(gains, it.of, it.over, it.band, null) })),
        };
      }),
      rooms: this.plan.rooms.map((/** @type {any} */ _one, /** @type {number} */ i) => this.loudness(this.only(gains, (it) => it.room === i))),
      alternates: this.plan.alternates.map((/** @type {any} */ one) => this.loudness(this.alternateGains(levels, one))),
      passages: this.passages.map((/** @type {any} */ one) => integratedLoudness(one.full.sums(gains), one.full.hops, this.rate)),
      targets: this.plan.targets.map((/** @type {any} */ one) => this.judge(one, levels, gains)),
    };
  }

  /** @param {any} target @param {Levels} levels @param {Float64Array} gains */
  judge(target, levels, gains) {
    const found = this.reached(target, levels, gains);
    if (found === null) return { ...target.written, known: true };
    if (found.value === null) return { value: null, met: null, reason: found.reason, known: false };
    const above = found.value - target.wanted;
    const miss = target.sense === "equal" ? Math.abs(above) : target.sense === "least" ? Math.max(0, -above) : Math.max(0, above);
    return { value: found.value, met: miss <= target.tolerance + 1e-9, reason: found.reason, known: true };
  }

  /** Figure of a target; null where it is what it was as written.
   * @param {any} target @param {Levels} levels @param {Float64Array} gains @returns {Figure | null} */
  reached(target, levels, gains) {
    if (JSON.stringify(levels) === JSON.stringify(this.written)) return null;
    const sections = target.of === null ? new Set() : this.sectionsOf(target.of);
    const own = this.only(gains, (one) => sections.has(one.section));
    const section = [...sections][0];
    switch (target.kind) {
      case "loudness":
        return this.loudness(gains);
      case "wet_to_dry":
        return this.ratio(own);
      case "share":
        return this.ratio(own, target.room);
      case "margin":
        return this.marginOf(gains, target.of, target.over, target.band, target.passage);
      case "least_c80":
        return this.clarityOf(levels, section, "c80");
      case "least_d50":
        return this.clarityOf(levels, section, "d50");
      case "longest_centre_time":
        return this.clarityOf(levels, section, "centre_time");
      default:
        return { value: null, reason: NOT_BY_ALGEBRA };
    }
  }
}
