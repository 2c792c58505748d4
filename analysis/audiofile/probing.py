"""Check a file to its last sample, in a process that can do no harm."""

import json
import os
import selectors
import signal
import subprocess
import sys
import threading
import time
from dataclasses import asdict
from pathlib import Path
from typing import IO

from analysis.audiofile.describing import read_header
from analysis.audiofile.description import AudioDescription, Header
from analysis.audiofile.errors import AudioError
from analysis.audiofile.limits import DEFAULT_LIMITS, Limits
from analysis.audiofile.sandbox import READY, STORAGE_FAILED
from analysis.audiofile.source import Source, opened

_PROJECT = Path(__file__).resolve().parents[2]
#: All that reaches the child: no secrets, no proxies. One thread, so that its memory is bounded.
_ENVIRONMENT = {"LC_ALL": "C.UTF-8", "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
#: All that an honest child prints is two short lines.
_MAX_OUTPUT_BYTES = 4_096
_MAX_MESSAGE_LETTERS = 500
#: So many checks at once in one process; the others wait for their turn, and their own time begins only then.
#: Forty at once took the processors from each other, and from everybody who wanted a page.
_TURNS = threading.BoundedSemaphore(os.cpu_count() or 1)
#: What a child may accuse a file of.
_CHILD_CODES = {"truncated", "decode_failed", "not_finite", "wild_level", "checksum_mismatch", "limits"}


class SandboxFailed(RuntimeError):
    """The sandbox itself did not start: our fault, never the file's."""


def probe(path: str | os.PathLike[str], limits: Limits = DEFAULT_LIMITS) -> AudioDescription:
    """As `describe`, and every sample decoded once in a sandboxed process.

    Found there: sound that ends before the header says, sound that cannot be decoded, FLAC whose checksum
    does not match its samples, float samples that are not numbers or are on another scale. Silence passes.

    Raises
    ------
    AudioError
        As `describe`, and `truncated`, `decode_failed`, `checksum_mismatch`, `not_finite`, `wild_level`;
        `limits` when decoding takes more time or memory than is given; `interrupted` when the check was
        killed from outside, which says nothing about the file: try again.
    OSError
        The file cannot be opened or read, or no process can be started.
    SandboxFailed
        The sandbox did not come up.
    """
    with opened(path) as source:
        header = read_header(source, limits)
        with _TURNS:
            ended = _run_child(source, header, limits)
        _refuse_by_verdict(*ended)
    return header.description


def _run_child(source: Source, header: Header, limits: Limits) -> tuple[int | None, bytes]:
    """How the child ended, and what it printed. None: its time was up."""
    job = json.dumps({"header": asdict(header), "cpu_s": limits.max_cpu_s})
    deadline = time.monotonic() + limits.max_wall_s
    printed = b""
    with subprocess.Popen(
        # Our own interpreter and module; the file comes as a descriptor, never as a name.
        [sys.executable, "-s", "-E", "-B", "-m", "analysis.audiofile.child", job],
        stdin=source.fd,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        cwd=_PROJECT,
        env=_ENVIRONMENT,
        start_new_session=True,
    ) as child:
        assert child.stdout is not None
        try:
            printed = _read_until(child.stdout, deadline)
            # Closed now, so that a child that prints without end is stopped by its own next word.
            child.stdout.close()
            return child.wait(max(0.0, deadline - time.monotonic())), printed
        except subprocess.TimeoutExpired as late:
            return None, late.output or printed
        finally:
            # However this ends, a task limit or a stopping worker included, the child does not outlive it.
            if child.poll() is None:
                os.killpg(child.pid, signal.SIGKILL)


def _read_until(pipe: IO[bytes], deadline: float) -> bytes:
    """What the child prints, up to a bound. Raises TimeoutExpired at the deadline."""
    printed = b""
    with selectors.DefaultSelector() as selector:
        selector.register(pipe, selectors.EVENT_READ)
        while len(printed) <= _MAX_OUTPUT_BYTES:
            if not selector.select(max(0.0, deadline - time.monotonic())):
                raise subprocess.TimeoutExpired("decoding", deadline, output=printed)
            part = os.read(pipe.fileno(), _MAX_OUTPUT_BYTES)
            if not part:
                break
            printed += part
    return printed


def _refuse_by_verdict(status: int | None, printed: bytes) -> None:
    """Turn every way in which a child can end into nothing, or into one error."""
    ready, _, verdict = printed.partition(b"\n")
    if ready != READY.encode():
        raise SandboxFailed(f"the decoding process ended with status {status} before it was ready")
    if status is None or status == -signal.SIGXCPU:
        raise AudioError(
            "limits", "The file takes too long to decode. Export it again as 24-bit WAV or FLAC."
        )
    if status == -signal.SIGKILL:
        raise AudioError("interrupted", "The check of this file was stopped from outside; try again.")
    code, message = _accusation(verdict) if status == 0 else ("decode_failed", "")
    if code == STORAGE_FAILED:
        raise OSError(f"the file could not be read while it was checked: {message}")
    if code is not None:
        raise AudioError(
            code, message or "The sound cannot be decoded. Export again and upload the new file."
        )


def _accusation(verdict: bytes) -> tuple[str | None, str]:
    """Code and message of a child's verdict; `decode_failed` if it does not speak as it should.

    The child has handled hostile bytes, so it is believed no further than this.
    """
    try:
        spoken = json.loads(verdict)
        code, message = spoken["code"], spoken.get("message", "")
    except (ValueError, TypeError, KeyError, AttributeError):
        return "decode_failed", ""
    if code is None:
        return None, ""
    is_known = isinstance(code, str) and code in {*_CHILD_CODES, STORAGE_FAILED}
    if not (
        is_known
        and isinstance(message, str)
        and message.isprintable()
        and len(message) <= _MAX_MESSAGE_LETTERS
    ):
        return "decode_failed", ""
    return code, message
