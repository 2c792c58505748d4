"""One large upload through torn lines and killed servers: does it arrive whole, and what does each cut cost?

Run by hand: `.venv/bin/python -m tests.bench.bench_uploads [MEGABYTES]` (default 500: about two minutes). A
real server on SQLite and the local disk, the vendored client under Node in chunks of 8 MiB, 20 lines torn at
random bytes, 5 kills of the whole server at random offsets. Exit status 1 when the file differs, or when more
than one chunk a cut or kill was sent again.
"""

import hashlib
import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from analysis import audiofile
from tests.services import programs
from tests.services.site import Site
from tests.services.tus_server import TusServer

CHUNK_BYTES = 8 * 1024**2
CUTS, KILLS, SEED = 20, 5, 11
RATE_HZ, FRAME_BYTES = 96_000, 6  # stereo, 24 bit: 500 MB last 14.5 minutes, of the 20 that are taken


def write_noise(path: Path, *, megabytes: int) -> str:
    """Write so much noise as a WAV file; its SHA-256."""
    rng = np.random.default_rng(SEED)
    frames = megabytes * 10**6 // FRAME_BYTES
    blocks = (
        0.05 * rng.standard_normal((min(RATE_HZ, frames - start), 2)) for start in range(0, frames, RATE_HZ)
    )
    audiofile.write_wav(path, blocks, rate_hz=RATE_HZ, channels=2, subtype="PCM_24")
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def main(megabytes: int) -> int:
    """Send it, and print what was found."""
    rng = np.random.default_rng(SEED)
    with tempfile.TemporaryDirectory(prefix="bench-uploads-") as name:
        folder = Path(name)
        sha256 = write_noise(folder / "noise.wav", megabytes=megabytes)
        size_bytes = (folder / "noise.wav").stat().st_size
        site = Site(folder)
        done = site.manage("migrate", "--verbosity", "0")
        assert done.returncode == 0, done.stderr
        server = TusServer(site)
        server.start()
        try:
            cuts = sorted(rng.integers(0, size_bytes, CUTS).tolist())
            began_s = time.monotonic()
            client = server.node(folder / "noise.wav", chunkBytes=CHUNK_BYTES, cuts=cuts, retryMs=300)
            assert client.stdout is not None
            upload_id = json.loads(client.stdout.readline())["url"].rpartition("/")[2]
            for kill_at in sorted(rng.integers(0, int(0.9 * size_bytes), KILLS).tolist()):
                programs.wait_until(
                    lambda at=kill_at: server.offset(upload_id) >= at, seconds=600, what="so much has arrived"
                )
                server.kill()
                server.start()
            out, _ = client.communicate(timeout=1200)
            took_s = time.monotonic() - began_s
            told = json.loads(out.splitlines()[-1])
            began_s = time.monotonic()
            arrived = server.take(upload_id) if "torn" in told and "error" not in told else {}
            taking_s = time.monotonic() - began_s
        finally:
            server.kill()
    if not arrived:
        print(f"the client gave up: {out}")
        return 1
    again_bytes = told["writtenBytes"] - size_bytes
    is_whole = arrived.get("sha256") == sha256
    is_thrifty = again_bytes <= (told["torn"] + KILLS) * CHUNK_BYTES
    print(f"size {size_bytes} bytes, {told['torn']} lines torn, {KILLS} kills, answers {told['statuses']}")
    print(
        f"sent again {again_bytes} bytes, at most {(told['torn'] + KILLS) * CHUNK_BYTES} wanted: {is_thrifty}"
    )
    print(f"upload {took_s:.1f} s, hash, probe and keep {taking_s:.1f} s; SHA-256 the same: {is_whole}")
    return 0 if is_whole and is_thrifty else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 500))
