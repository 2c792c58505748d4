"""A tiny server for the booth's tests: its scripts, a page around it, and listening copies in segments."""

from __future__ import annotations

import io
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from django.template import Context, Engine
from django.test import override_settings
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[2]
SCRIPTS = ROOT / "analysis/listening/static/listening"
TEMPLATES = ROOT / "analysis/listening/templates"
PAGES = Path(__file__).parent / "booth_page"

CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "connect-src 'self'; media-src 'self' blob:; worker-src 'self'"
)
TYPES = {".js": "text/javascript", ".css": "text/css", ".html": "text/html; charset=utf-8"}
PLAIN_STATIC = {"staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}}

RATE_HZ = 48_000


def copy_of_noise(seed: int, frames: int) -> NDArray[np.float32]:
    """Noise and a sine on the 24-bit grid, so that float32, FLAC and Web Audio hold it without rounding.

    Shape (frames, 2), full scale 1.0. Each seed is unrelated noise: a sample from the wrong place shows.
    """
    rng = np.random.default_rng(seed)
    sine = 0.2 * np.sin(2 * np.pi * (220 + 110 * seed) * np.arange(frames) / RATE_HZ)
    audio = 0.05 * rng.standard_normal((frames, 2)) + sine[:, None]
    return on_24_bits(audio)


def on_24_bits(audio: NDArray[np.float64]) -> NDArray[np.float32]:
    """The nearest 24-bit values, full scale 1.0; float32 holds them exactly."""
    return (np.round(audio * 2**23) / 2**23).astype(np.float32)


def flac_of(audio: NDArray[np.float32]) -> bytes:
    """One segment as a 24-bit FLAC file. Raises if libsndfile does not give the same samples back."""
    target = io.BytesIO()
    whole = np.round(audio.astype(np.float64) * 2**23).astype(np.int32) << 8
    soundfile.write(target, whole, RATE_HZ, format="FLAC", subtype="PCM_24")
    back, _ = soundfile.read(io.BytesIO(target.getvalue()), dtype="float32", always_2d=True)
    assert np.array_equal(back, audio)
    return target.getvalue()


@dataclass
class BoothServer:
    """What is served, and what goes wrong on purpose."""

    copies: dict[str, NDArray[np.float32]]
    segment_frames: int
    sections: list[dict[str, Any]] = field(default_factory=list)
    names: dict[str, str] = field(default_factory=dict)
    extras: dict[str, dict[str, Any]] = field(default_factory=dict)  # what else the page is told of a copy
    delays_s: dict[tuple[str, int], float] = field(default_factory=dict)
    statuses: dict[tuple[str, int], int] = field(default_factory=dict)
    asked: list[tuple[str, int]] = field(default_factory=list)
    url: str = ""

    def __post_init__(self) -> None:
        self.segments = {
            key: [
                flac_of(audio[at : at + self.segment_frames])
                for at in range(0, len(audio), self.segment_frames)
            ]
            for key, audio in self.copies.items()
        }
        self.noise = flac_of(copy_of_noise(99, RATE_HZ // 2))

    @property
    def booth_set(self) -> dict[str, Any]:
        """The set as a page gives it to the booth."""
        return {
            "rate_hz": RATE_HZ,
            "frames": len(next(iter(self.copies.values()))),
            "segment_frames": self.segment_frames,
            "level_lufs": -18.0,
            "monitor_dbc": 78.0,
            "rest_after_min": 25,
            "noise_url": "/noise",
            "copies": [
                {"key": key, "label": label, "name": self.names.get(key), "segments_url": f"/segments/{key}/"}
                | self.extras.get(key, {})
                for key, label in zip(self.copies, "ABCDEFGHIJKLMNOPQRSTUVWXYZ", strict=False)
            ],
            "sections": self.sections,
        }

    def answer(self, path: str) -> tuple[int, str, bytes]:
        """Status, content type and body for a path."""
        if path.startswith("/segments/"):
            key, number = path.removeprefix("/segments/").split("/")
            self.asked.append((key, int(number)))
            time.sleep(self.delays_s.get((key, int(number)), 0))
            status = self.statuses.get((key, int(number)), 200)
            return status, "audio/flac", self.segments[key][int(number)] if status == 200 else b""
        if path == "/noise":
            return 200, "audio/flac", self.noise
        if path == "/booth":
            return 200, TYPES[".html"], self.page("page.html").encode()
        if path == "/selftest":
            return 200, TYPES[".html"], self.page("listening/selftest.html").encode()
        if path == "/favicon.ico":
            return 200, "image/x-icon", b""
        for prefix, folder in {"/static/listening/": SCRIPTS, "/page/": PAGES}.items():
            file = folder / path.removeprefix(prefix)
            if path.startswith(prefix) and file.is_file():
                return 200, TYPES[file.suffix], file.read_bytes()
        return 404, "text/plain", b""

    def page(self, name: str) -> str:
        """A template of the booth's, on a page of its own."""
        engine = Engine(dirs=[str(PAGES), str(TEMPLATES)], libraries={"static": "django.templatetags.static"})
        with override_settings(STORAGES=PLAIN_STATIC):
            return engine.get_template(name).render(Context({"booth_set": self.booth_set}))


@contextmanager
def serving(server: BoothServer) -> Iterator[BoothServer]:
    """Serve on a free local port for the length of the block."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            status, content_type, body = server.answer(self.path)
            try:
                self.send_response(status)
                self.send_header("Content-Type", content_type)
                self.send_header("Content-Length", str(len(body)))
                self.send_header("Content-Security-Policy", CSP)
                self.end_headers()
                self.wfile.write(body)
            except (BrokenPipeError, ConnectionResetError):
                pass  # the booth gave this fetch up

        def log_message(self, *_: Any) -> None:
            pass

    class Http(ThreadingHTTPServer):
        daemon_threads = True

        def handle_error(self, *_: Any) -> None:
            if not isinstance(sys.exception(), ConnectionError):
                raise  # a browser that closes is no fault of the server's, anything else is

    http = Http(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=http.serve_forever, daemon=True)
    thread.start()
    server.url = f"http://127.0.0.1:{http.server_port}"
    try:
        yield server
    finally:
        http.shutdown()
        http.server_close()
        thread.join()
