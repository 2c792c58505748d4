/** Records what arrives at its `node`, sample by sample, on the context's own frames. For checks; plays nothing. */

const CLOCK_FRAMES = 65536; // as in recorder.js; a worklet shares no imports with the page
const CLOCK_STARTS_S = 0.05;

export class Recording {
  #blocks = [];

  /**
   * @param {AudioContext} context
   * @param {string} workletUrl the address of recorder.js.
   * @returns {Promise<Recording>} connect what is to be recorded to its `node`.
   */
  static async start(context, workletUrl) {
    await context.audioWorklet.addModule(workletUrl);
    return new Recording(context);
  }

  constructor(context) {
    const worklet = new AudioWorkletNode(context, "recorder", { numberOfInputs: 2 });
    worklet.port.onmessage = (event) => this.#blocks.push(event.data);
    worklet.connect(context.destination); // its output is silent; the connection only makes the browser run it
    clockOf(context).connect(worklet, 0, 1);
    this.node = context.createGain();
    this.node.connect(worklet, 0, 0);
  }

  /**
   * Everything recorded so far.
   *
   * @returns {{first: number, channels: Float32Array[], lost: number}} `first` is the context frame of the first
   *   sample. Frames that the recorder missed are NaN and counted in `lost`. Empty arrays before the first block.
   */
  get sound() {
    if (this.#blocks.length === 0) {
      return { first: 0, channels: [new Float32Array(0), new Float32Array(0)], lost: 0 };
    }
    const first = this.#blocks[0].first;
    const last = this.#blocks.at(-1);
    const frames = last.first + last.channels[0].length - first;
    const channels = [new Float32Array(frames).fill(NaN), new Float32Array(frames).fill(NaN)];
    for (const block of this.#blocks) {
      block.channels.forEach((samples, channel) => channels[channel].set(samples, block.first - first));
    }
    return { first, channels, lost: channels[0].filter(Number.isNaN).length };
  }
}

/** A source whose every sample is its own context frame, modulo CLOCK_FRAMES, divided by it. */
function clockOf(context) {
  const buffer = context.createBuffer(1, CLOCK_FRAMES, context.sampleRate);
  buffer.getChannelData(0).forEach((_, frame, samples) => (samples[frame] = frame / CLOCK_FRAMES));
  const source = new AudioBufferSourceNode(context, { buffer, loop: true });
  const starts = Math.round((context.currentTime + CLOCK_STARTS_S) * context.sampleRate);
  source.start(starts / context.sampleRate, (starts % CLOCK_FRAMES) / context.sampleRate);
  return source;
}
