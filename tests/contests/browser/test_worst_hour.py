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
from playwright.sync_api import Browser, expect

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
    slug, page = there["contest"], entrant.page
    refusal, words = page.locator("[data-upload-refusal]"), page.locator("[data-upload-words]")
    entrant.go("/members/sign-in/")
    page.get_by_label("E-mail address").fill(there["email"])
    page.get_by_label("Pass phrase").fill(PASS_PHRASE)
    entrant.send("Sign in")

    # The line is cut in the midst of the file; the page says so and goes on by itself once it is mended.
    damaged = noise(tmp_path / "first.wav", megabytes=20)
    damaged.write_bytes(damaged.read_bytes()[: -3 * MEGABYTE])  # its header promises more than is there
    entrant.go(f"/contests/{slug}/enter/")
    line.cut_after(CUT_AFTER_BYTES)
    send(entrant, damaged)
    expect(words).to_contain_text("The line is broken. What arrived is kept", timeout=SLOW_MS)
    assert line.is_down.is_set()
    entrant.keep("line-broken")
    line.mend()

    # The file is refused for what it is, in words that say what to do; nothing was entered.
    expect(refusal).to_contain_text("the file ends after", timeout=SLOW_MS)
    expect(refusal).to_contain_text("export again and upload the complete file")
    entrant.keep("damaged-file-refused")
    assert site.play("uploads_into", contest=slug) == []

    # The next one is taken at once, with a receipt, but is not as asked.
    send(entrant, noise(tmp_path / "second.wav", megabytes=5, rate_hz=44_100))
    second = arrive(entrant)
    expect(page.locator("[data-live]")).to_contain_text("asks for 48 kHz", timeout=SLOW_MS)
    entrant.keep("not-as-asked")

    # The third replaces it and stands, byte for byte.
    good = noise(tmp_path / "third.wav", megabytes=5, seed=3)
    entrant.follow(page.get_by_role("link", name="Upload a replacement"))
    send(entrant, good)
    third = arrive(entrant)
    expect(page.locator("[data-live]")).to_contain_text("It stands as your entry", timeout=SLOW_MS)
    entrant.keep("stands")
    stands = {"receipt": third, "state": "ready", "sha256": hashlib.sha256(good.read_bytes()).hexdigest()}
    replaced, standing = site.play("uploads_into", contest=slug)
    assert (replaced["receipt"], replaced["state"]) == (second, "replaced")
    assert standing == stands

    # The receipt can be kept, and anybody can have it checked.
    with page.expect_download() as started:
        page.get_by_role("link", name=re.compile("receipt", re.IGNORECASE)).first.click()
    receipt = started.value.path().read_text()
    assert third in receipt
    assert stands["sha256"] in receipt
    entrant.go("/contests/receipts/")
    page.locator("main textarea").fill(receipt)
    with page.expect_navigation():
        page.locator("main form button").first.click()
    expect(page.locator("main")).to_contain_text("Genuine")
    entrant.keep("receipt-checked")

    # A second past the close the form is still there; the upload is refused kindly, and nothing is lost.
    site.play("close_in", contest=slug, seconds=CLOSES_IN_S)
    closes_s = time.monotonic() + CLOSES_IN_S
    entrant.go(f"/contests/{slug}/enter/")
    assert time.monotonic() < closes_s, "the machine was too slow to open the form before the close"
    page.wait_for_timeout(1000 * (closes_s + 1.0 - time.monotonic()))
    send(entrant, noise(tmp_path / "fourth.wav", megabytes=1, seed=4))
    expect(refusal).to_contain_text("Entries closed on", timeout=SLOW_MS)
    expect(refusal).to_contain_text("the server's clock said")
    expect(refusal).to_contain_text(f"Your entry {third} stands.")
    entrant.keep("a-second-late")
    assert site.play("uploads_into", contest=slug)[1:] == [stands]
    entrant.go(f"/contests/entries/{third}/")
    expect(page.locator("[data-live]")).to_contain_text("It stands as your entry")

    # The browser itself notes cut lines and refusals; no script failed.
    assert all("Failed to load resource" in fault for fault in entrant.faults), entrant.faults
