"""The sandboxed half of `probe`: decode one file to its end, and say in one line of JSON whether it holds.

Run as `python -m analysis.audiofile.child JOB` with the file, open for reading, as standard input. It prints
`ready` once it has locked itself in, and then one object: `{"code": null}` for a sound file, otherwise
`{"code": …, "message": …}`. Nothing of the file is decoded before `ready`.
"""

import hashlib
import json
import os
import sys
from typing import Any

import numpy as np

from analysis.audiofile.description import BYTES_PER_SAMPLE, AudioDescription, Header
from analysis.audiofile.errors import AudioError
from analysis.audiofile.reading import Samples, sample_blocks
from analysis.audiofile.sandbox import READY, STORAGE_FAILED, lock_in
from analysis.audiofile.source import Source, source_of

_BLOCK_FRAMES = 65_536
_TOO_MUCH_MEMORY = "The file takes too much memory to decode. Export it again as 24-bit WAV or FLAC."


def main(job: str) -> None:
    """Lock this process in, then check the file on standard input against the header that `job` holds."""
    wanted = json.loads(job)
    description = AudioDescription(**wanted["header"].pop("description"))
    header = Header(description=description, **wanted["header"])
    lock_in(cpu_s=wanted["cpu_s"])
    print(READY, flush=True)
    print(json.dumps(_verdict(header)), flush=True)


def _verdict(header: Header) -> dict[str, Any]:
    try:
        check_samples(source_of(sys.stdin.fileno()), header)
    except AudioError as error:
        return {"code": error.code, "message": error.message}
    except MemoryError:
        return {"code": "limits", "message": _TOO_MUCH_MEMORY}
    except OSError as error:
        return {"code": STORAGE_FAILED, "message": os.strerror(error.errno or 0)}
    return {"code": None}


def check_samples(source: Source, header: Header) -> None:
    """Decode everything; raise AudioError unless the samples are those that header and checksum promise."""
    # The checksum is MD5 because the format says so: RFC 9639, 8.2. It finds damage, not forgery.
    checksum = hashlib.md5(usedforsecurity=False)
    for block in sample_blocks(source, header, block_frames=_BLOCK_FRAMES):
        if header.pcm_md5 is not None:
            checksum.update(_as_flac_hashes(block, BYTES_PER_SAMPLE[header.description.subtype]))
    if header.pcm_md5 is not None and checksum.hexdigest() != header.pcm_md5:
        raise AudioError(
            "checksum_mismatch",
            "The sound in the FLAC file is not the sound that was encoded: its checksum differs. The file "
            "was damaged on its way. Export again and upload the new file.",
        )


def _as_flac_hashes(block: Samples, width: int) -> bytes:
    """Interleaved little-endian samples of `width` bytes, from samples at the top of 32 bits."""
    words = np.ascontiguousarray(block, "<i4")
    return words.view(np.uint8).reshape(-1, 4)[:, 4 - width :].tobytes()


if __name__ == "__main__":
    main(sys.argv[1])
