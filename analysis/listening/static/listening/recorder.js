/**
 * Audio worklet for checks: hands what it hears to the page, stamped with the context frame of its first sample.
 *
 * Input 0 is the sound. Input 1 is a clock that runs through the same graph: each of its samples holds its own
 * context frame, modulo CLOCK_FRAMES, divided by it. A busy browser skips a recorder's turn and then gives it a
 * `currentFrame` one render quantum behind the sound [seen in Chromium]; the clock cannot be wrong about what it came with.
 */
const CLOCK_FRAMES = 65536;
const BLOCK_FRAMES = 4096;

class Recorder extends AudioWorkletProcessor {
  #block = [new Float32Array(BLOCK_FRAMES), new Float32Array(BLOCK_FRAMES)];
  #first = 0;
  #filled = 0;

  process([sound, [clock]]) {
    if (clock === undefined || !runs(clock)) {
      return true; // not begun yet, or a turn without a time to it: counted as lost by the page
    }
    const frame = frameNear(currentFrame, Math.round(clock[0] * CLOCK_FRAMES));
    if (this.#filled > 0 && (frame !== this.#first + this.#filled || this.#filled + clock.length > BLOCK_FRAMES)) {
      this.#send();
    }
    if (this.#filled === 0) {
      this.#first = frame;
    }
    this.#block.forEach((samples, channel) => {
      const heard = sound[channel] ?? sound[0]; // one channel is heard from both sides, none is silence
      if (heard) {
        samples.set(heard, this.#filled);
      } else {
        samples.fill(0, this.#filled, this.#filled + clock.length);
      }
    });
    this.#filled += clock.length;
    return true;
  }

  #send() {
    const channels = this.#block.map((samples) => samples.slice(0, this.#filled));
    this.port.postMessage({ first: this.#first, channels });
    this.#filled = 0;
  }
}

/** Whether a stretch of the clock goes up by one frame a sample. */
function runs(clock) {
  const ticks = Math.round((clock.at(-1) - clock[0]) * CLOCK_FRAMES);
  return (ticks + CLOCK_FRAMES) % CLOCK_FRAMES === clock.length - 1;
}

/** The frame nearest to `near` that leaves `remainder` modulo CLOCK_FRAMES. */
function frameNear(near, remainder) {
  return remainder + CLOCK_FRAMES * Math.round((near - remainder) / CLOCK_FRAMES);
}

registerProcessor("recorder", Recorder);
