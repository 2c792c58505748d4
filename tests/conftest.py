"""What every test may lean on: missing programs named, outside sockets closed, a few tones as files."""

from __future__ import annotations

import shutil
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.core.cache import cache
from numpy.typing import NDArray
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

from analysis import audiofile

DEBIAN_PACKAGES = {
    "chromium": "chromium",
    "ffmpeg": "ffmpeg",
    "flac": "flac",
    "nginx": "nginx-light",
    "node": "nodejs",
    "openssl": "openssl",
    "postgres": "postgresql",
    "redis-server": "redis-server",
    "sha256sum": "coreutils",
    "unzip": "unzip",
}
CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--autoplay-policy=no-user-gesture-required",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
missing_programs: set[str] = set()


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--require-all` turns a skip for a missing program into a failure."""
    parser.addoption(
        "--require-all", action="store_true", help="fail, rather than skip, where a program is missing"
    )


def path_of(program: str) -> str | None:
    """Where a program of the machine is. Debian keeps PostgreSQL's server off the PATH."""
    if program == "postgres":
        servers = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))
        return str(servers[-1]) if servers else shutil.which("postgres")
    return shutil.which(program)


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip or fail a test whose program is not here."""
    for marker in item.iter_markers("needs"):
        program = marker.args[0]
        if path_of(program):
            continue
        sentence = f"{program} is not installed here (Debian package {DEBIAN_PACKAGES[program]})"
        if item.config.getoption("--require-all"):
            pytest.fail(sentence, pytrace=False)
        missing_programs.add(program)
        pytest.skip(sentence)


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Name each missing program and the package that brings it, last."""
    skipped = terminalreporter.stats.get("skipped", [])
    for program, package in DEBIAN_PACKAGES.items():
        count = sum(f"{program} is not installed here" in str(report.longrepr) for report in skipped)
        if count:
            terminalreporter.write_line(
                f"{count} tests skipped: {program} is missing; Debian package {package}"
            )


@pytest.fixture(autouse=True)
def _nothing_kept() -> None:
    """What pages keep is keyed by rows, and another test's rows may look the same."""
    cache.clear()


@pytest.fixture(autouse=True)
def no_outside_sockets(monkeypatch: pytest.MonkeyPatch) -> None:
    """A test that reaches for another machine is a mistake."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: Any) -> None:
        if self.family != socket.AF_UNIX and address[0] not in {"127.0.0.1", "::1", "localhost"}:
            raise AssertionError(f"a test tried to reach {address}")
        connect(self, address)

    monkeypatch.setattr(socket.socket, "connect", guarded)


@pytest.fixture
def write_wav(tmp_path: Path) -> Callable[..., Path]:
    """Write audio, shape (n_frames, n_channels), as a WAV file and return its path."""

    def write(
        audio: NDArray[np.float64], *, rate_hz: int = 48_000, name: str = "mix.wav", subtype: str = "PCM_24"
    ) -> Path:
        path = tmp_path / name
        audiofile.write_wav(path, [audio], rate_hz=rate_hz, channels=audio.shape[1], subtype=subtype)
        return path

    return write


@pytest.fixture(scope="session")
def demo_mixes(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The demo's own mixes as WAV files, rendered once a run."""
    from tests.demo_audio import rendered_mixes

    return rendered_mixes(tmp_path_factory.mktemp("mixes"))


@pytest.fixture(scope="session")
def demo_with_judges_in(demo_mixes: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site's folder with the demo's contest whose judges were just let in, built once a run.

    Work on a `copy_of` it: others want it as it is.
    """
    from tests import demo_audio, demo_site

    folder = tmp_path_factory.mktemp("judges-in")
    demo_site.build(folder, demo_audio.audio_folder(demo_mixes))
    return folder


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """One headless browser for the whole run: its driver can be started only once in a process."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path_of("chromium"), args=CHROMIUM_FLAGS)
        yield browser
        browser.close()


def _said(message: ConsoleMessage) -> str:
    """What the page said, and of which address: "404" alone leads nowhere."""
    return f"{message.text} ({message.location['url']})"


@pytest.fixture
def page(chromium: Browser) -> Iterator[Page]:
    """A fresh page at 1280 px; what it logs as an error or throws fails the test."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: faults.append(_said(message)) if message.type == "error" else None)
    page.faults = faults  # type: ignore[attr-defined]  # a test that provokes one takes it out
    yield page
    context.close()
    assert faults == []
