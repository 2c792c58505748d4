"""Files with random damage, sent through the header reader and the decoders; run as a process of its own.

`python -m tests.analysis.audiofile.mutations FIRST COUNT` prints one JSON object: how many were `taken`, the
`codes` of the refusals, what went `wrong`, and the longest time of one. A crash shows as a signal to whoever
started it.
"""

import json
import random
import resource
import sys
import tempfile
import time
from collections import Counter
from functools import lru_cache

from analysis.audiofile import DEFAULT_LIMITS, AudioError
from analysis.audiofile.child import check_samples
from analysis.audiofile.describing import read_header
from analysis.audiofile.reading import sample_blocks
from analysis.audiofile.source import source_of
from tests.analysis.audiofile import flacbits, hostile

_MEMORY_BYTES = 2**30
#: Sizes and counts that have broken readers before.
_FAVOURITES = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)


@lru_cache
def seeds() -> tuple[bytes, ...]:
    """The sound files that are damaged."""
    names = {"wav_16", "wav_24", "wav_float", "wav_extensible", "rf64", "tags_in_bext", "flac_16", "flac_24"}
    names |= {"flac_mono", "tags_in_flac", "picture_in_flac", "flac_variable_blocks", "odd_padded"}
    small = [case.build() for case in hostile.CASES if case.name in names]
    assert len(small) == len(names)
    return (*small, flacbits_only())


def flacbits_only() -> bytes:
    """A stream without a checksum, where only frames and lengths guard the sound."""
    made = [flacbits.frame(number, [number, 3], 192) for number in range(300)]
    return flacbits.stream(made, flacbits.streaminfo(frames=300 * 192, blocks=(192, 192)))


def mutant(number: int) -> tuple[bytes, bytes]:
    """The mutant of that number, and the file that it was; the same in every run."""
    dice = random.Random(number)
    seed = dice.choice(seeds())
    made = bytearray(seed)
    for _ in range(dice.choice((1, 1, 1, 2, 5))):
        # Most damage goes to the first bytes, where the numbers are.
        at = dice.randrange(min(len(made), dice.choice((64, 200, len(made)))))
        match dice.randrange(7):
            case 0:
                made[at] ^= 1 << dice.randrange(8)
            case 1:
                made[at] = dice.randrange(256)
            case 2:
                width, order = dice.choice((1, 2, 3, 4, 8)), dice.choice(("little", "big"))
                made[at : at + width] = (dice.choice(_FAVOURITES) & (1 << 8 * width) - 1).to_bytes(
                    width, order
                )
            case 3:
                del made[at : at + dice.choice((1, 2, 4, 1000))]
            case 4:
                made[at:at] = dice.randbytes(dice.choice((1, 2, 4, 1000)))
            case 5:
                made[at:at] = made[at : at + dice.choice((4, 8, 24, 5000))]
            case 6:
                del made[dice.randrange(len(made)) :]
        made = made or bytearray(b"\0")
    return bytes(made), seed


def trial(octets: bytes, seed: bytes) -> str:
    """`taken`, or the code of the refusal; raises AssertionError for a file wrongly taken."""
    with tempfile.TemporaryFile() as file:
        file.write(octets)
        file.flush()
        source = source_of(file.fileno())
        try:
            header = read_header(source, DEFAULT_LIMITS)
            check_samples(source, header)
        except AudioError as refusal:
            return refusal.code
        found = header.description
        taken = [block.copy() for block in sample_blocks(source, header, block_frames=65_536)]
        assert sum(len(block) for block in taken) == found.frames, "fewer frames than described"
        assert all(block.shape[1] == found.channels for block in taken), "other channels than described"
        if octets[:4] == seed[:4] == b"fLaC" and octets[26:42] == seed[26:42] != bytes(16):
            assert sound_of(seed) == b"".join(block.tobytes() for block in taken), "damaged sound taken"
        return "taken"


@lru_cache
def sound_of(seed: bytes) -> bytes:
    """The samples of an undamaged file."""
    with tempfile.TemporaryFile() as file:
        file.write(seed)
        file.flush()
        source = source_of(file.fileno())
        header = read_header(source, DEFAULT_LIMITS)
        return b"".join(block.tobytes() for block in sample_blocks(source, header, block_frames=65_536))


def main(first: int, count: int) -> None:
    """Try that many mutants from the first number on, and print what became of them."""
    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))
    codes: Counter[str] = Counter()
    wrong, longest_s = [], 0.0
    for number in range(first, first + count):
        start = time.process_time()
        try:
            codes[trial(*mutant(number))] += 1
        except Exception as error:
            wrong.append(f"mutant {number}: {error!r}")
        longest_s = max(longest_s, time.process_time() - start)
    print(
        json.dumps({"taken": codes.pop("taken", 0), "codes": codes, "wrong": wrong, "longest_s": longest_s})
    )


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
