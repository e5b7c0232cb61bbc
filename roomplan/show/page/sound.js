// @ts-check
// The sound of the passage: one buffer for each component, summed by gains of the page. Nothing is convolved here.

import { bytesOf } from "./algebra.js";

const SMOOTHING_S = 0.015; // a gain is 95 % there after three times as long
const AHEAD_S = 0.1; // what a browser needs to start all sources on one sample
const FULL_SCALE = 1;

/** Decode every component. All come back with as many frames as the document says.
 * @param {BaseAudioContext} context at the rate of the plan
 * @param {any} sound of the document
 * @param {(component: number) => string | null} coded base64 of a component
 * @param {(done: number, all: number) => void} [progress]
 * @returns {Promise<(AudioBuffer | null)[]>} */
export async function decodeAll(context, sound, coded, progress = () => {}) {
  /** @type {(AudioBuffer | null)[]} */
  const found = [];
  for (let i = 0; i < sound.components.length; i += 1) {
    const text = sound.components[i] === null ? null : coded(i);
    const buffer = text === null ? null : await context.decodeAudioData(bytesOf(text).buffer);
    if (buffer && buffer.length !== sound.frames) {
      throw new Error(`component ${i} has ${buffer.length} frames, not ${sound.frames}: this browser reads it otherwise`);
    }
    found.push(buffer);
    progress(i + 1, sound.components.length);
  }
  return found;
}

/** A gain for each component, all into one output.
 * @param {BaseAudioContext} context @param {any} sound @param {ArrayLike<number>} gains @param {AudioNode} output */
export function gainNodes(context, sound, gains, output) {
  return sound.components.map((/** @type {any} */ one, /** @type {number} */ i) => {
    if (one === null) return null;
    const node = new GainNode(context, { gain: one.scale * gains[i] });
    node.connect(output);
    return node;
  });
}

/** Sources of all components, started on one sample.
 * @param {BaseAudioContext} context @param {(AudioBuffer | null)[]} buffers @param {(GainNode | null)[]} nodes
 * @param {number} when @param {number} frame where they begin @param {[number, number] | null} loop frames
 * @returns {AudioBufferSourceNode[]} */
export function startAll(context, buffers, nodes, when, frame, loop) {
  return buffers.flatMap((buffer, i) => {
    const node = nodes[i];
    if (!buffer || !node) return [];
    const source = new AudioBufferSourceNode(context, { buffer });
    if (loop) {
      source.loop = true;
      source.loopStart = loop[0] / buffer.sampleRate;
      source.loopEnd = loop[1] / buffer.sampleRate;
    }
    source.connect(node);
    source.start(when, frame / buffer.sampleRate);
    return [source];
  });
}

/** Plays the passage at gains that may move while it sounds. */
export class Player {
  /**
   * @param {any} plan the document
   * @param {(component: number) => string | null} coded
   * @param {{changed: () => void, stopped: (why: string) => void}} told
   */
  constructor(plan, coded, told) {
    this.sound = plan.sound;
    this.rate = plan.sample_rate;
    this.coded = coded;
    this.told = told;
    /** @type {AudioContext | null} */
    this.context = null;
    /** @type {(AudioBuffer | null)[]} */
    this.buffers = [];
    /** @type {(GainNode | null)[]} */
    this.nodes = [];
    /** @type {AudioBufferSourceNode[]} */
    this.sources = [];
    /** @type {ArrayLike<number>} */
    this.gains = new Float64Array(plan.components.length);
    /** @type {[number, number] | null} */
    this.loop = null;
    this.frame = 0; // where it stands, or where it was started
    this.startedAt = 0;
    this.playing = false;
    this.volume = 1;
  }

  /** @param {(done: number, all: number) => void} progress */
  async open(progress) {
    if (this.context) return;
    const context = new AudioContext({ sampleRate: this.rate });
    this.buffers = await decodeAll(context, this.sound, this.coded, progress);
    this.context = context;
    this.output = new GainNode(context, { gain: this.volume });
    this.watch = new AnalyserNode(context, { fftSize: 4096 });
    this.output.connect(this.watch).connect(context.destination);
    this.nodes = gainNodes(context, this.sound, this.gains, this.output);
  }

  /** @param {ArrayLike<number>} gains */
  setGains(gains) {
    this.gains = gains;
    this.nodes.forEach((node, i) => node && this.glide(node.gain, this.sound.components[i].scale * gains[i]));
  }

  /** @param {number} volume linear, of everything */
  setVolume(volume) {
    this.volume = volume;
    if (this.output) this.glide(this.output.gain, volume);
  }

  /** @param {AudioParam} gain @param {number} value */
  glide(gain, value) {
    const context = /** @type {AudioContext} */ (this.context);
    gain.cancelScheduledValues(context.currentTime);
    if (this.playing) {
      gain.setValueAtTime(gain.value, context.currentTime);
      gain.setTargetAtTime(value, context.currentTime, SMOOTHING_S);
    } else gain.setValueAtTime(value, context.currentTime);
  }

  /** Frame that is heard now. */
  position() {
    if (!this.playing || !this.context) return this.frame;
    const latency = Number.isFinite(this.context.outputLatency) ? this.context.outputLatency : 0;
    const passed = Math.max(0, this.context.currentTime - latency - this.startedAt);
    let frame = this.frame + Math.round(passed * this.rate);
    if (this.loop && frame >= this.loop[1]) frame = this.loop[0] + ((frame - this.loop[0]) % (this.loop[1] - this.loop[0]));
    return Math.min(frame, this.sound.frames);
  }

  async play() {
    const context = /** @type {AudioContext} */ (this.context);
    await context.resume();
    if (this.frame >= this.sound.frames) this.frame = 0;
    if (this.loop && (this.frame < this.loop[0] || this.frame >= this.loop[1])) this.frame = this.loop[0];
    this.startedAt = Math.ceil((context.currentTime + AHEAD_S) * this.rate) / this.rate; // on a sample
    this.sources = startAll(context, this.buffers, this.nodes, this.startedAt, this.frame, this.loop);
    this.playing = true;
    this.timer = setInterval(() => this.look(), 40);
    this.told.changed();
  }

  pause() {
    if (!this.playing) return;
    this.frame = this.position();
    this.halt();
    this.told.changed();
  }

  halt() {
    this.playing = false;
    clearInterval(this.timer);
    for (const source of this.sources) {
      source.stop();
      source.disconnect();
    }
    this.sources = [];
  }

  /** @param {number} frame */
  async seek(frame) {
    const resume = this.playing;
    if (resume) this.halt();
    this.frame = Math.min(Math.max(0, Math.round(frame)), this.sound.frames - 1);
    if (resume) await this.play();
    else this.told.changed();
  }

  /** @param {[number, number] | null} loop */
  async setLoop(loop) {
    const frame = this.position();
    this.loop = loop;
    await this.seek(frame);
  }

  /** Look at what goes out: stop above full scale, and at the end. */
  look() {
    const watch = /** @type {AnalyserNode} */ (this.watch);
    const samples = new Float32Array(watch.fftSize);
    watch.getFloatTimeDomainData(samples);
    if (samples.some((sample) => Math.abs(sample) > FULL_SCALE)) {
      this.pause();
      this.told.stopped("the sound went above full scale");
      return;
    }
    if (!this.loop && this.position() >= this.sound.frames) {
      this.halt();
      this.frame = 0;
    }
    this.told.changed();
  }
}
