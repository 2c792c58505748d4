"""One large pack through torn lines: does it arrive whole, and what does each cut cost?

Run by hand: `.venv/bin/python -m tests.bench.bench_packs [MEGABYTES] [--nginx]` (default 5000: some minutes,
and twice the room on the disk for a while). With `--nginx` that sends it, as the README shows. A real site on
SQLite and the local disk. The stems are made on the spot, sparse, so that the disk holds little of them, but
the archive is written in full, by the site's own service. A member fetches it over HTTP and hangs up at ten
random places, each time to go on with `Range` and `If-Range`. Last, the pack changes in the middle of another
download. Exit status 1 when the bytes differ from the archive's own SHA-256, when more than 1 % was asked for
again, or when the old address sends anything after the change.
"""

from __future__ import annotations

import hashlib
import http.client
import json
import os
import struct
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import django
import numpy as np

from tests.services import programs
from tests.services.programs import free_port, wait_until
from tests.services.site import ROOT, Site, end_group

CUTS, SEED = 10, 7
BLOCK_BYTES = 1024 * 1024
STEM_MEGABYTES = 250  # 7.2 minutes at 96 kHz in stereo and 24 bit
RATE_HZ, FRAME_BYTES = 96_000, 6


def main(megabytes: int, *, by_nginx: bool) -> int:
    """Build, fetch through cuts, and print what was found."""
    rng = np.random.default_rng(SEED)
    with tempfile.TemporaryDirectory(prefix="bench-packs-") as name, ExitStack() as around:
        Path(name).chmod(0o750)  # nginx's user has to get in
        site = Site(Path(name), PACK_DOWNLOADS_A_DAY="1000", INTERNAL_REDIRECT="/kept/" if by_nginx else "")
        for words in (["migrate"], ["collectstatic", "--no-input"]):
            done = site.manage(*words, "--verbosity", "0")
            assert done.returncode == 0, done.stderr
        os.environ.update(site.environment)
        django.setup()
        began_s = time.monotonic()
        made = large_pack(Path(name), megabytes=megabytes)
        built_s = time.monotonic() - began_s
        server = Server(site)
        try:
            if by_nginx:
                shelf, address = Path(name) / "recordings", f"http://127.0.0.1:{server.port}"
                front = around.enter_context(programs.nginx(Path(name), shelf=shelf, site=address))
                server.port = int(front.rpartition(":")[2])
            cuts = sorted(rng.integers(0, made["size_bytes"], CUTS).tolist())
            fetched = fetch(server, made, cuts)
            after = status_after_a_change(server, made)
        finally:
            server.end()
    is_good = fetched["sha256"] == made["sha256"] and fetched["sent_twice_share"] <= 0.01 and after == 410
    found = {"built_s": round(built_s, 1), **fetched, "status_after_a_change": after, "is_good": is_good}
    shown = {name: value for name, value in (made | found).items() if name != "session"}
    print(json.dumps(shown, indent=2))
    return 0 if is_good else 1


def large_pack(folder: Path, *, megabytes: int) -> dict[str, Any]:
    """Publish a pack of so many megabytes, build it as WAV, and sign a member in who accepted its terms."""
    from django.utils import timezone

    from academy.packs import publishing
    from academy.packs.models import TermsAccepted
    from analysis.jobs import running
    from analysis.jobs.models import Job
    from tests import cast

    now = timezone.now()
    pack = publishing.create_pack(slug="large", title="Large", terms="Practice.")
    for number in range(1, megabytes // STEM_MEGABYTES + 1):
        received = sparse_stem(folder / "stem.wav", seed=number)
        publishing.add_stem(pack, received, name=f"Stem {number}", owner=None, now=now)
    version = publishing.publish(pack, now=now)
    assert running.run(Job.objects.get(kind="build_pack", subject=f"{version.pk} wav").pk)
    member = cast.member()
    TermsAccepted.objects.create(pack=pack, member=member, terms_version=1, accepted_at=now)
    archive = version.archives.get(form="wav")
    return {
        "address": "/packs/large/versions/1/wav/archive/",
        "session": cast.session_of(member),
        "size_bytes": archive.size_bytes,
        "sha256": archive.sha256,
    }


def sparse_stem(path: Path, *, seed: int) -> Any:
    """A received WAV file: a second of noise and then nothing, which takes no room on the disk."""
    from analysis import audiofile
    from analysis.intake import keeping, sealing

    data_bytes = STEM_MEGABYTES * 10**6 // FRAME_BYTES * FRAME_BYTES
    form = struct.pack("<HHLLHH", 1, 2, RATE_HZ, RATE_HZ * FRAME_BYTES, FRAME_BYTES, 24)
    head = b"RIFF" + struct.pack("<L", 36 + data_bytes) + b"WAVEfmt " + struct.pack("<L", 16) + form
    with path.open("wb") as file:
        file.write(head + b"data" + struct.pack("<L", data_bytes))
        file.write(np.random.default_rng(seed).bytes(RATE_HZ * FRAME_BYTES))
        file.truncate(44 + data_bytes)
    with path.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    found = audiofile.describe(path)
    received = sealing.Received(keeping.adopt(path), sha256, path.stat().st_size, path.name, found)
    path.unlink()
    return received


class Server:
    """The site's pages by gunicorn, in a process of its own."""

    def __init__(self, site: Site) -> None:
        self.port = free_port()
        command = [sys.executable, "-m", "gunicorn", "academy.config.wsgi:application", "--no-control-socket"]
        command += ["--bind", f"127.0.0.1:{self.port}", "--worker-class", "gthread", "--threads", "4"]
        self._process = subprocess.Popen(command, cwd=ROOT, env=site.environment, start_new_session=True)
        wait_until(self._answers, seconds=60, what="the server answers")

    def get(self, path: str, session: str, **headers: str) -> http.client.HTTPResponse:
        """Ask for an address as the member of this session."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        line.request("GET", path, headers={"Cookie": f"session={session}", **headers})
        return line.getresponse()

    def end(self) -> None:
        """Stop it."""
        end_group(self._process)

    def _answers(self) -> bool:
        try:
            return self.get("/health/live", "").status == 200
        except OSError:
            return False


def fetch(server: Server, made: dict[str, Any], cuts: list[int]) -> dict[str, Any]:
    """Fetch the archive, hanging up at each cut and going on from there."""
    digest, got, sent = hashlib.sha256(), 0, 0
    etag = ""
    began_s = time.monotonic()
    for cut in [*cuts, made["size_bytes"]]:
        headers = {"Range": f"bytes={got}-", "If-Range": etag} if etag else {}
        answer = server.get(made["address"], made["session"], **headers)
        assert answer.status == (206 if etag else 200), answer.status
        etag = answer.headers["ETag"]
        while got < cut:
            block = answer.read(min(BLOCK_BYTES, cut - got))
            assert block, f"the line ended at {got}"
            digest.update(block)
            got += len(block)
            sent += len(block)
        answer.close()
    seconds = time.monotonic() - began_s
    return {
        "sha256": digest.hexdigest(),
        "cuts": len(cuts),
        "sent_twice_share": (sent - made["size_bytes"]) / made["size_bytes"],
        "fetched_s": round(seconds, 1),
        "megabytes_a_second": round(got / seconds / 1e6),
    }


def status_after_a_change(server: Server, made: dict[str, Any]) -> int:
    """Begin a download, publish another version, go on: what the old address answers."""
    from academy.packs import publishing
    from academy.packs.models import StemPack

    first = server.get(made["address"], made["session"])
    etag = first.headers["ETag"]
    first.read(BLOCK_BYTES)
    first.close()
    pack = StemPack.objects.get(slug="large")
    publishing.change_facts(pack, notes="Mind the polarity.")
    publishing.publish(pack)
    rest = {"Range": f"bytes={BLOCK_BYTES}-", "If-Range": etag}
    return server.get(made["address"], made["session"], **rest).status


if __name__ == "__main__":
    sizes = [int(word) for word in sys.argv[1:] if word.isdecimal()]
    sys.exit(main(sizes[0] if sizes else 5000, by_nginx="--nginx" in sys.argv))
