/**
 * Writes the plainest FLAC there is: 24-bit stereo at 48 kHz, every block verbatim (RFC 9639).
 * For checks that need a known sound in the booth's own format; an encoder for real use would compress.
 */

const BLOCK_FRAMES = 4096;
const MOST_BLOCKS = 128; // block numbers under 128 take one byte
const BITS = 24;
const FULL_SCALE = 2 ** (BITS - 1);

/**
 * @param {[Float32Array, Float32Array]} channels of equal length, full scale 1.0, on the 24-bit grid.
 * @returns {ArrayBuffer}
 * @throws {RangeError} no frames, or more than 128 blocks of 4,096.
 */
export function flacOf(channels) {
  const frames = channels[0].length;
  const blocks = Math.ceil(frames / BLOCK_FRAMES);
  if (blocks === 0 || blocks > MOST_BLOCKS) {
    throw new RangeError(`This writer takes 1 to ${BLOCK_FRAMES * MOST_BLOCKS} frames, not ${frames}.`);
  }
  const bytes = [...streamHead(frames)];
  for (let number = 0; number < blocks; number += 1) {
    const part = channels.map((samples) => samples.subarray(number * BLOCK_FRAMES, (number + 1) * BLOCK_FRAMES));
    blockOf(number, part).forEach((byte) => bytes.push(byte));
  }
  return Uint8Array.from(bytes).buffer;
}

/** "fLaC" and STREAMINFO (RFC 9639, 8.1 and 8.2): sizes and checksum of the audio unknown, hence 0. */
function streamHead(frames) {
  const sizes = [...bytesOf(BLOCK_FRAMES, 2), ...bytesOf(BLOCK_FRAMES, 2), ...bytesOf(0, 3), ...bytesOf(0, 3)];
  // 20 bits of rate, 3 of channels - 1, 5 of bits - 1, then 36 of frames: the upper 4 are 0 here.
  const rateChannelsBits = bytesOf(48_000 * 2 ** 12 + (2 - 1) * 2 ** 9 + (BITS - 1) * 2 ** 4, 4);
  const lastBlockOfHead = 0x80;
  return [...bytesOf(0x664c6143, 4), lastBlockOfHead, ...bytesOf(34, 3), ...sizes, ...rateChannelsBits, ...bytesOf(frames, 4), ...bytesOf(0, 16)];
}

/** A frame of FLAC (RFC 9639, 9.1 to 9.3): fixed block size, size in two bytes, 48 kHz, two channels, 24 bit. */
function blockOf(number, channels) {
  const head = [0xff, 0xf8, 0x7a, 0x1c, number, ...bytesOf(channels[0].length - 1, 2)];
  const bytes = [...head, checksum(head, 0x07, 8)];
  for (const samples of channels) {
    bytes.push(0x02); // a verbatim subframe without wasted bits
    samples.forEach((sample) => bytes.push(...bytesOf(Math.round(sample * FULL_SCALE) & 0xffffff, 3)));
  }
  return [...bytes, ...bytesOf(checksum(bytes, 0x8005, 16), 2)];
}

/** Big-endian bytes of a whole number. */
function bytesOf(number, count) {
  return Array.from({ length: count }, (_, n) => Math.floor(number / 2 ** (8 * (count - 1 - n))) % 256);
}

/** A cyclic redundancy check that begins at 0 and takes the highest bit first (RFC 9639, 9.1.8 and 9.3). */
function checksum(bytes, polynomial, width) {
  const top = 1 << (width - 1);
  const mask = 2 ** width - 1;
  let sum = 0;
  for (const byte of bytes) {
    sum ^= byte << (width - 8);
    for (let bit = 0; bit < 8; bit += 1) {
      sum = (sum & top ? (sum << 1) ^ polynomial : sum << 1) & mask;
    }
  }
  return sum;
}
