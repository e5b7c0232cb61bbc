// @ts-check
// The page: what its buttons and fields do. One step of work for each drawn frame, however fast levels move.

import { clock, decayPicture, loudnessPicture, setPlayhead, stagePicture, widthOf } from "./curves.js";
import { amplitude } from "./algebra.js";
import { Figures } from "./figures.js";
import { element, mixTable, named, roomTable, sectionTable, showFigures, showLevels, targetTable } from "./sheet.js";
import { History, differences, planFile, signed } from "./state.js";
import { Player } from "./sound.js";

const MOST_JUMP_LU = 6; // a session is never this much louder at once than it has been (common practice, no source)
const FIRST_VOLUME_DB = -10;
const SPOKEN_MS = 1000;
const CODINGS = /** @type {Record<string, string>} */ ({
  flac_24: "The sound is lossless, FLAC with 24 bits.",
  flac_16: "The sound is FLAC with 16 bits: lossless but for that.",
  vorbis: "The sound is coded, Ogg Vorbis: good for listening, not for mastering.",
});
const STILL_MS = 1000; // between moves of the playhead where motion is to be reduced

/** @param {string} id @returns {any} */
function at(id) {
  return document.getElementById(id);
}

/** @param {string} id @param {string} event @param {(event: any) => void} work */
function on(id, event, work) {
  at(id).addEventListener(event, work);
}

/** @param {HTMLSelectElement} select @param {[string, string][]} options value and words */
function fill(select, options) {
  select.replaceChildren(...options.map(([value, words]) => new Option(words, value)));
}

class Page {
  /** @param {any} plan */
  constructor(plan) {
    this.plan = plan;
    this.figures = new Figures(plan);
    this.history = new History(plan);
    this.found = this.figures.at(this.history.now);
    this.side = "moved";
    this.loudest = -Infinity;
    this.waiting = 0;
    this.spoken = 0;
    this.headMoved = 0;
    this.writtenCourse = this.figures.course(this.found.gains, "short-term");
    this.player = new Player(plan, (i) => at(`sound-${i}`)?.textContent ?? null, {
      changed: () => this.showPlaying(),
      stopped: (why) => this.alarm(why),
    });
    this.build();
    this.listen();
    this.draw();
  }

  build() {
    const plan = this.plan;
    at("title").textContent = plan.title;
    const about = [plan.cue && `cue ${plan.cue}`, plan.version && `version ${plan.version}`, `plan ${plan.plan}`, clock(plan.duration_s), `${plan.sample_rate} Hz`];
    const deliveries = plan.deliveries.map((/** @type {any} */ one) => `delivery ${one.name}: ${one.write.join(", ")} as ${one.format}`);
    at("about").append(named([...about.filter(Boolean), ...deliveries].join(" · ")));
    at("note").textContent = `roomplan ${plan.roomplan} · ${plan.note}`;
    at("caution").textContent = `${plan.hearing_note[0].toUpperCase()}${plan.hearing_note.slice(1)}.`;
    const moved = (/** @type {any} */ spot, /** @type {any} */ value) => this.move(spot, value);
    at("section-table").append(sectionTable(plan, moved));
    at("room-table").append(roomTable(plan, moved));
    at("mix-table").append(mixTable(plan));
    const targets = targetTable(plan);
    if (targets) at("target-table").append(targets);
    const sections = plan.sections.flatMap((/** @type {any} */ one, /** @type {number} */ i) => (one.decay ? [[String(i), one.name]] : []));
    fill(at("decay-of"), sections);
    if (!sections.length) at("decay-picture").closest("figure").hidden = true;
    this.drawStage();
    this.buildSound();
  }

  buildSound() {
    const { plan } = this;
    at("listen").hidden = plan.sound === null;
    if (!plan.sound) return;
    this.soundEnd = plan.sound.start_s + plan.sound.frames / plan.sample_rate;
    const position = at("position");
    position.min = String(plan.sound.start_s);
    position.max = String(this.soundEnd);
    position.value = position.min;
    at("volume").value = String(FIRST_VOLUME_DB);
    this.player.volume = amplitude(FIRST_VOLUME_DB);
    const within = plan.passages.flatMap((/** @type {any} */ one, /** @type {number} */ i) =>
      one.start_s < this.soundEnd && one.end_s > plan.sound.start_s ? [[String(i), one.name]] : [],
    );
    fill(at("loop"), [["", "off"], ["all", "all of it"], ...within]);
    fill(at("heard"), [
      ["mix", "the mix"],
      ...plan.sections.map((/** @type {any} */ one, /** @type {number} */ i) => [`section-${i}`, `only ${one.name}`]),
      ...plan.rooms.map((/** @type {any} */ one, /** @type {number} */ i) => [`room-${i}`, `only room ${one.name}`]),
    ]);
    at("sound-note").textContent = `${clock(plan.sound.start_s)} to ${clock(this.soundEnd)} of the cue can be heard. ${CODINGS[plan.sound.coding]} No figure comes from it: all are of the whole cue as the program measures it.`;
    const first = Math.round(plan.sound.start_s * 10);
    const hops = Math.min(Math.floor((plan.sound.frames / plan.sample_rate) * 50), this.figures.cue.full.hops - first * 5);
    this.heardPowers = this.figures.cue.full.part(first, Math.max(0, hops));
  }

  listen() {
    on("undo", "click", () => this.step(() => this.history.undo()));
    on("redo", "click", () => this.step(() => this.history.redo()));
    on("reset", "click", () => this.step(() => this.history.replace(this.history.written)));
    on("written", "click", () => this.choose("written"));
    on("moved", "click", () => this.choose("moved"));
    on("matched", "change", () => this.sound());
    on("heard", "change", () => this.sound());
    on("volume", "change", () => this.setVolume());
    on("play", "click", () => this.toggle());
    on("position", "input", () => this.seek(Number(at("position").value)));
    on("loop", "change", () => this.setLoop());
    on("decay-of", "change", () => this.drawDecay());
    on("loudness-picture", "click", (event) => {
      const box = at("loudness-picture").firstElementChild.getBoundingClientRect();
      if (this.picture) this.seek(this.picture.seconds(((event.clientX - box.left) / box.width) * widthOf(at("loudness-picture"))));
    });
    addEventListener("resize", () => {
      this.drawStage();
      this.later();
    });
    document.addEventListener("keydown", (event) => this.key(event));
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const target = /** @type {Element} */ (event.target);
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
      event.preventDefault();
      this.step(() => (event.shiftKey ? this.history.redo() : this.history.undo()));
    } else if (event.key === " " && !target.closest("input, select, button, summary, a, pre") && this.plan.sound) {
      event.preventDefault();
      this.toggle();
    }
  }

  /** @param {import("./state.js").Spot} spot @param {number | boolean} value */
  move(spot, value) {
    if (!this.history.set(spot, value, performance.now())) {
      showLevels(this.plan, this.history.now, this.history.written);
      return;
    }
    this.side = "moved";
    showLevels(this.plan, this.history.now, this.history.written);
    this.later();
  }

  /** @param {() => void} work */
  step(work) {
    work();
    this.side = "moved";
    this.later();
  }

  /** @param {"written" | "moved"} side */
  choose(side) {
    this.side = side;
    this.later();
  }

  later() {
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => {
      this.waiting = 0;
      this.draw();
    });
  }

  draw() {
    const { plan, history } = this;
    this.found = this.figures.at(history.now);
    showLevels(plan, history.now, history.written);
    showFigures(plan, this.found, history.moved);
    at("undo").disabled = !history.before.length;
    at("redo").disabled = !history.after.length;
    at("reset").disabled = !history.moved;
    at("written").setAttribute("aria-pressed", String(this.side === "written"));
    at("moved").setAttribute("aria-pressed", String(this.side === "moved"));
    this.sound();
    this.drawPictures();
    this.drawMoves();
    this.speak();
  }

  drawPictures() {
    this.picture = loudnessPicture(this.plan, this.figures.course(this.found.gains, "short-term"), this.writtenCourse, widthOf(at("loudness-picture")));
    at("loudness-picture").replaceChildren(this.picture.svg);
    this.drawDecay();
    this.showPlaying();
  }

  drawStage() {
    const stage = stagePicture(this.plan, widthOf(at("stage-picture")));
    at("stage").hidden = stage === null;
    if (!stage) return;
    at("stage-picture").replaceChildren(stage.svg);
    at("stage-list").classList.toggle("plain", !stage.numbered);
    at("stage-list").replaceChildren(...stage.list.map((words) => element("li", {}, named(words))));
  }

  drawDecay() {
    const section = Number(at("decay-of").value);
    const one = this.plan.sections[section];
    const moved = this.figures.curveOf(this.history.now, section);
    const written = this.figures.curveOf(this.history.written, section);
    if (moved && written) at("decay-picture").replaceChildren(decayPicture(one.name, one.decay.frame_s, moved, written, widthOf(at("decay-picture"))));
  }

  drawMoves() {
    const { plan, history } = this;
    const lines = differences(plan, history.now);
    at("differences").replaceChildren(
      ...(lines.length ? lines : ["nothing: all levels are as written"]).map((line) => element("li", {}, named(line))),
    );
    at("plan-part").hidden = !lines.length;
    const text = planFile(plan, history.now);
    at("plan-text").textContent = text;
    if (this.saved) URL.revokeObjectURL(this.saved);
    this.saved = URL.createObjectURL(new Blob([text], { type: "application/yaml" }));
    at("save").href = this.saved;
    at("save").download = plan.plan.replace(/\.ya?ml$/i, "") + "_moved.yaml";
  }

  /** Say the loudness of the mix to who does not see it, once a second at most. */
  speak() {
    clearTimeout(this.speaking);
    const wait = Math.max(0, this.spoken + SPOKEN_MS - performance.now());
    this.speaking = setTimeout(() => {
      this.spoken = performance.now();
      const { loudness } = this.found.mix;
      const missed = this.found.targets.filter((/** @type {any} */ one) => one.met === false).length;
      const words = loudness.value === null ? "the mix is silent" : `mix ${signed(loudness.value)} LUFS`;
      at("live").textContent = `${words}${this.plan.targets.length ? `, ${missed} of ${this.plan.targets.length} targets missed` : ""}`;
    }, wait);
  }

  /** Gains of what is to be heard, and how loud the passage is with them. @param {"written" | "moved"} side */
  heard(side) {
    const gains = this.figures.gains(side === "written" ? this.history.written : this.history.now);
    const [of, place] = at("heard").value.split("-");
    if (of === "section") return this.figures.only(gains, (one) => one.section === Number(place));
    if (of === "room") return this.figures.only(gains, (one) => one.room === Number(place));
    return gains;
  }

  /** Bring the sound to the levels of the side that is heard. */
  sound() {
    if (!this.plan.sound || !this.heardPowers) return;
    const own = this.heard(/** @type {"written" | "moved"} */ (this.side));
    const mine = this.loudnessOf(own);
    let turned = 0;
    if (at("matched").checked && this.history.moved) {
      const other = this.loudnessOf(this.heard(this.side === "written" ? "moved" : "written"));
      if (Number.isFinite(other) && Number.isFinite(mine)) turned = Math.min(0, other - mine);
    }
    const loud = mine + turned + Number(at("volume").value);
    if (this.player.playing && loud > this.loudest + MOST_JUMP_LU) {
      this.player.pause();
      this.alarm(`the sound would have become ${Math.round(loud - this.loudest)} LU louder than before`);
    } else if (this.player.playing) this.loudest = Math.max(this.loudest, loud);
    this.now = loud;
    const gain = amplitude(turned);
    this.player.setGains(own.map((one) => one * gain));
  }

  /** @param {Float64Array} gains */
  loudnessOf(gains) {
    const powers = /** @type {import("./algebra.js").Powers} */ (this.heardPowers);
    const total = powers.sums(gains).reduce((sum, one) => sum + one, 0);
    return 10 * Math.log10(total / Math.max(1, powers.hops * (this.plan.sample_rate / 50)));
  }

  /** @param {string} why */
  alarm(why) {
    at("alarm").textContent = `Stopped: ${why}. Turn the monitors down, then press Play.`;
  }

  async toggle() {
    if (this.player.playing) {
      this.player.pause();
      return;
    }
    at("alarm").textContent = "";
    try {
      at("play").disabled = true;
      await this.player.open((done, all) => {
        at("play").textContent = `Opening ${done} of ${all}`;
      });
      this.sound();
      this.loudest = Math.max(this.now ?? -Infinity, -60);
      await this.player.play();
    } catch (error) {
      at("alarm").textContent = `The sound cannot be played: ${error instanceof Error ? error.message : error}.`;
    } finally {
      at("play").disabled = false;
      this.showPlaying();
      if (document.activeElement === document.body) at("play").focus();
    }
  }

  setVolume() {
    const field = at("volume");
    const value = Number.isFinite(field.valueAsNumber) ? Math.min(0, Math.max(-60, field.valueAsNumber)) : FIRST_VOLUME_DB;
    field.value = String(value);
    this.sound();
    this.player.setVolume(amplitude(value));
  }

  /** @param {number} seconds */
  seek(seconds) {
    if (this.plan.sound) this.player.seek((seconds - this.plan.sound.start_s) * this.plan.sample_rate);
  }

  setLoop() {
    const { sound, passages, sample_rate: rate } = this.plan;
    const { value } = at("loop");
    const passage = passages[Number(value)];
    const frame = (/** @type {number} */ seconds) => Math.min(sound.frames, Math.max(0, Math.round((seconds - sound.start_s) * rate)));
    if (value === "") this.player.setLoop(null);
    else this.player.setLoop(value === "all" ? [0, sound.frames] : [frame(passage.start_s), frame(passage.end_s)]);
  }

  showPlaying() {
    if (!this.plan.sound) return;
    const seconds = this.plan.sound.start_s + this.player.position() / this.plan.sample_rate;
    const { playing } = this.player;
    const play = at("play");
    if (!play.disabled) {
      play.textContent = playing ? "Pause" : "Play";
      play.setAttribute("aria-pressed", String(playing));
    }
    const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
    if (still && playing && performance.now() - this.headMoved < STILL_MS) return;
    this.headMoved = performance.now();
    at("position").value = String(seconds);
    at("position").setAttribute("aria-valuetext", clock(seconds));
    at("clock").textContent = `${clock(seconds)} of ${clock(this.soundEnd ?? 0)}`;
    if (this.picture) setPlayhead(this.picture.svg, this.picture.x(seconds), this.picture.height);
  }
}

new Page(JSON.parse(at("document").textContent));
