"""The worst hour of an entrant, in a real browser on a served site with its worker, over a line that breaks.

The line is cut in the midst of the first file; the file turns out to be damaged and is refused; the next one
is taken but not as asked; a third replaces it; a fourth comes a second after the close. Pictures of every
page go to the folder that PICTURES names.
"""

from __future__ import annotations

import hashlib
import io
import re
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from playwright.sync_api import Browser, Locator, expect

from tests.browser.person import Visitor, pictures_folder
from tests.services.line import Line
from tests.services.serving import serving
from tests.services.site import Site

pytestmark = pytest.mark.needs("chromium")

SLOW_MS = 120_000  # what a worker does, on a busy machine
MEGABYTE = 10**6
CUT_AFTER_BYTES = 12 * MEGABYTE  # within the second part of 8 MiB
CLOSES_IN_S = 12.0  # time enough to open the page and fill the form in, on a busy machine
PASS_PHRASE = "a long pass phrase"  # of everybody in tests.cast


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """An empty site of the test's own."""
    folder = tmp_path / "site"
    folder.mkdir()
    site = Site(folder)
    done = site.manage("migrate", "--verbosity", "0")
    assert done.returncode == 0, done.stderr
    yield site
    site.close()


@pytest.fixture
def line(site: Site) -> Iterator[Line]:
    """The served site behind a line that can be cut."""
    with serving(site) as served, Line(served.port) as line:
        yield line


@pytest.fixture
def entrant(chromium: Browser, line: Line) -> Iterator[Visitor]:
    """Somebody's browser, not signed in yet."""
    visitor = Visitor(chromium, line.address, pictures=pictures_folder("PICTURES"))
    yield visitor
    visitor.leave()


def noise(path: Path, *, megabytes: int, rate_hz: int = 48_000, seed: int = 1) -> Path:
    """Quiet stereo noise as a 24-bit WAV file of about so many megabytes."""
    frames = megabytes * MEGABYTE // 6
    audio = 0.05 * np.random.default_rng(seed).standard_normal((frames, 2))
    file = io.BytesIO()
    soundfile.write(file, audio, rate_hz, format="WAV", subtype="PCM_24")
    path.write_bytes(file.getvalue())
    return path


def send(entrant: Visitor, path: Path) -> None:
    """Fill in the upload form and send it."""
    entrant.page.set_input_files("input[type=file]", path)
    entrant.page.locator("input[name=accepts_rules]").check()
    entrant.press("Upload and enter")


def arrive(entrant: Visitor) -> str:
    """Wait for the page of the upload; its receipt."""
    entrant.page.wait_for_url("**/contests/entries/*/", timeout=SLOW_MS)
    return entrant.page.url.rstrip("/").rpartition("/")[2]


def test_an_entrant_in_the_worst_hour(entrant: Visitor, line: Line, site: Site, tmp_path: Path) -> None:
    there = site.play("contest_with_a_spec")
    slug = there["contest"]
    sign_in(entrant, there["email"])
    send_over_a_line_that_breaks(entrant, line, slug, tmp_path)
    is_refused_for_its_end(entrant)
    assert site.play("uploads_into", contest=slug) == []  # nothing was entered

    second = send_not_as_asked(entrant, tmp_path)
    stands = replace(entrant, noise(tmp_path / "third.wav", megabytes=5, seed=3))
    replaced, standing = site.play("uploads_into", contest=slug)
    assert (replaced["receipt"], replaced["state"]) == (second, "replaced")
    assert standing == stands
    have_the_receipt_checked(entrant, stands)

    come_a_second_late(entrant, site, slug, noise(tmp_path / "fourth.wav", megabytes=1, seed=4))
    is_told_what_stands(entrant, stands["receipt"])
    assert site.play("uploads_into", contest=slug)[1:] == [stands]

    # The browser itself notes cut lines and refusals; no script failed.
    assert all("Failed to load resource" in fault for fault in entrant.faults), entrant.faults


def sign_in(entrant: Visitor, email: str) -> None:
    entrant.go("/members/sign-in/")
    entrant.page.get_by_label("E-mail address").fill(email)
    entrant.page.get_by_label("Pass phrase").fill(PASS_PHRASE)
    entrant.send("Sign in")


def send_over_a_line_that_breaks(entrant: Visitor, line: Line, slug: str, folder: Path) -> None:
    """The line is cut in the midst of the file; the page says so and goes on by itself once it is mended."""
    damaged = noise(folder / "first.wav", megabytes=20)
    damaged.write_bytes(damaged.read_bytes()[: -3 * MEGABYTE])  # its header promises more than is there
    entrant.go(f"/contests/{slug}/enter/")
    line.cut_after(CUT_AFTER_BYTES)
    send(entrant, damaged)
    words = entrant.page.locator("[data-upload-words]")
    expect(words).to_contain_text("The line is broken. What arrived is kept", timeout=SLOW_MS)
    assert line.is_down.is_set()
    entrant.keep("line-broken")
    line.mend()


def refusal(entrant: Visitor) -> Locator:
    return entrant.page.locator("[data-upload-refusal]")


def is_refused_for_its_end(entrant: Visitor) -> None:
    """The file is refused for what it is, in words that say what to do."""
    expect(refusal(entrant)).to_contain_text("the file ends after", timeout=SLOW_MS)
    expect(refusal(entrant)).to_contain_text("export again and upload the complete file")
    entrant.keep("damaged-file-refused")


def send_not_as_asked(entrant: Visitor, folder: Path) -> str:
    """The next one is taken at once, with a receipt, but is not as asked; its receipt."""
    send(entrant, noise(folder / "second.wav", megabytes=5, rate_hz=44_100))
    receipt = arrive(entrant)
    expect(entrant.page.locator("[data-live]")).to_contain_text("asks for 48 kHz", timeout=SLOW_MS)
    entrant.keep("not-as-asked")
    return receipt


def replace(entrant: Visitor, good: Path) -> dict[str, str]:
    """The third replaces it; how it stands, byte for byte."""
    entrant.follow(entrant.page.get_by_role("link", name="Upload a replacement"))
    send(entrant, good)
    receipt = arrive(entrant)
    stands_there(entrant, timeout_ms=SLOW_MS)
    entrant.keep("stands")
    return {"receipt": receipt, "state": "ready", "sha256": hashlib.sha256(good.read_bytes()).hexdigest()}


def stands_there(entrant: Visitor, *, timeout_ms: float | None = None) -> None:
    live = entrant.page.locator("[data-live]")
    expect(live).to_contain_text("It stands as your entry", timeout=timeout_ms)


def have_the_receipt_checked(entrant: Visitor, stands: dict[str, str]) -> None:
    """The receipt can be kept, and anybody can have it checked."""
    page = entrant.page
    with page.expect_download() as started:
        page.get_by_role("link", name=re.compile("receipt", re.IGNORECASE)).first.click()
    receipt = started.value.path().read_text()
    assert stands["receipt"] in receipt
    assert stands["sha256"] in receipt
    entrant.go("/contests/receipts/")
    page.locator("main textarea").fill(receipt)
    with page.expect_navigation():
        page.locator("main form button").first.click()
    expect(page.locator("main")).to_contain_text("Genuine")
    entrant.keep("receipt-checked")


def come_a_second_late(entrant: Visitor, site: Site, slug: str, late: Path) -> None:
    """The form is opened before the close and sent a second past it."""
    site.play("close_in", contest=slug, seconds=CLOSES_IN_S)
    closes_s = time.monotonic() + CLOSES_IN_S
    entrant.go(f"/contests/{slug}/enter/")
    assert time.monotonic() < closes_s, "the machine was too slow to open the form before the close"
    entrant.page.wait_for_timeout(1000 * (closes_s + 1.0 - time.monotonic()))
    send(entrant, late)


def is_told_what_stands(entrant: Visitor, receipt: str) -> None:
    """The upload is refused kindly, and nothing is lost."""
    expect(refusal(entrant)).to_contain_text("Entries closed on", timeout=SLOW_MS)
    expect(refusal(entrant)).to_contain_text("the server's clock said")
    expect(refusal(entrant)).to_contain_text(f"Your entry {receipt} stands.")
    entrant.keep("a-second-late")
    entrant.go(f"/contests/entries/{receipt}/")
    stands_there(entrant)
