import { contextFrameOf } from "./timeline.js";

/**
 * One run of sound: the pieces of a copy end to end, silent until it is told to rise, and again once it has fallen.
 *
 * Nothing that sounds is written to. The page and the audio thread share a gain's events and a source's times, and the
 * audio thread does not wait for a page that is just writing them: Chromium then holds the gain for a render quantum
 * where the last one left it, and leaves a source out for a quantum, which sounds 128 frames late from then on
 * [both seen in Chromium 156, where a page that writes without end shows them within a second]. So
 *
 * - a run has two gains in series. One only rises and the other only falls, so that each is written while it stands
 *   still, and a gain that is held where it stands is where it ought to be;
 * - a source is given no end. It plays on unheard behind a gain at nought until `close`, or until it runs out.
 *
 * A fade is one curve and not two events with a straight line between: it cannot be caught half written, and one that
 * comes too late begins at once and takes its full length (Web Audio API, AudioParam.setValueCurveAtTime: a start time
 * in the past is moved to now), where a line whose beginning has passed would jump.
 */
export class Run {
  #context;
  #rateHz;
  #rise;
  #fall;
  #sources = new Set();

  /**
   * @param {object} parts
   * @param {BaseAudioContext} parts.context
   * @param {AudioNode} parts.output
   * @param {number} parts.rateHz of the context, and of both frames.
   * @param {string} parts.key the copy it sounds.
   * @param {number} parts.contextFrame where it begins.
   * @param {number} parts.setFrame what sounds there.
   */
  constructor({ context, output, rateHz, key, contextFrame, setFrame }) {
    this.#context = context;
    this.#rateHz = rateHz;
    this.#rise = new GainNode(context, { gain: 0 });
    this.#fall = new GainNode(context, { gain: 1 });
    this.#rise.connect(this.#fall).connect(output);
    this.key = key;
    this.contextFrame = contextFrame;
    this.setFrame = setFrame;
    this.scheduledTo = setFrame; // set frame
    this.endsAt = Infinity; // context frame
  }

  /** Schedule the next piece, of `piecesBetween`, out of the decoded sound of its segment. */
  add(sound, piece) {
    const source = new AudioBufferSourceNode(this.#context, { buffer: sound });
    source.connect(this.#rise);
    source.start(contextFrameOf(this, piece.setFrame) / this.#rateHz, piece.offset / this.#rateHz);
    source.onended = () => {
      source.disconnect();
      this.#sources.delete(source);
    };
    this.#sources.add(source);
    this.scheduledTo = piece.setFrame + piece.frames;
  }

  /** Fade in over so many frames from where it begins; with none, begin at full. Once only. */
  rise(fade) {
    if (fade > 0) {
      this.#rise.gain.setValueCurveAtTime([0, 1], this.contextFrame / this.#rateHz, fade / this.#rateHz);
    } else {
      // Half a frame early: a time that is rounded up past its frame would silence that frame.
      this.#rise.gain.setValueAtTime(1, (this.contextFrame - 0.5) / this.#rateHz);
    }
  }

  /** Fade out over so many frames from a context frame on. May be told again, until the fade told last has begun. */
  fall(contextFrame, fade) {
    this.endsAt = contextFrame + fade;
    this.#fall.gain.cancelScheduledValues(0);
    this.#fall.gain.setValueCurveAtTime([1, 0], contextFrame / this.#rateHz, fade / this.#rateHz);
  }

  /** Let go of everything. For a run that is not heard, not yet or no longer. */
  close() {
    this.#fall.disconnect();
    this.#sources.forEach((source) => source.stop());
  }
}
