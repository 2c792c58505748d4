"""A new member hands in a deliberately wrong mix in a real browser; the report names what is wrong."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import expect

from academy.packs.models import Stem, StemPack
from analysis import audiofile
from tests import cast, practice_mixes
from tests.browser.axe import violations
from tests.browser.person import sign_in
from tests.demo_audio import audio_folder
from tests.working import work_off

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]

SLOW_MS = 60_000


@pytest.fixture(autouse=True)
def quiet_bell(monkeypatch: pytest.MonkeyPatch) -> None:
    """No worker is there: the test does the jobs."""
    monkeypatch.setattr("analysis.jobs.doorbell.ring", lambda _: True)


@pytest.fixture
def world(demo_mixes: list[Path], tmp_path: Path) -> tuple[StemPack, Path]:
    """A pack of a stretch of the demo's stems with its reference mix, and the wrong mix as a file."""
    stems = practice_mixes.stretch_of(audio_folder(demo_mixes) / "stems", length_s=24.0)
    desk, settings = practice_mixes.desk_of(stems), practice_mixes.reference_settings(stems)
    reference, wrong = (
        desk.mix(one).astype(np.float64) for one in (settings, practice_mixes.deliberately_wrong(settings))
    )
    pack = cast.pack(title="Windows", reference_mix=cast.recording(audio=reference))
    for position, (name, audio) in enumerate(stems.items(), start=1):
        recording = cast.recording(audio=audio.reshape(len(audio), -1))
        Stem.objects.create(pack=pack, recording=recording, name=name, position=position)
    path = tmp_path / "my first mix.wav"
    audiofile.write_wav(path, [wrong], rate_hz=48_000, channels=2, subtype="PCM_24")
    return pack, path


def test_all_four_faults_are_named_and_nothing_else(page, live_server, world):
    pack, path = world
    sign_in(page, cast.member(), str(live_server))
    page.goto(f"{live_server}/practice/")
    page.get_by_role("link", name=pack.title).click()
    page.set_input_files("input[type=file]", path)
    page.get_by_role("button", name="Upload").click()
    page.wait_for_url("**/practice/mixes/*/", timeout=SLOW_MS)
    expect(page.locator("[data-live]")).to_contain_text("being measured")
    work_off("make_practice_report")
    with page.expect_navigation(timeout=SLOW_MS):
        page.get_by_role("link", name="Read the report").click(timeout=SLOW_MS)

    found = [
        words.replace("\N{NO-BREAK SPACE}", " ")
        for words in page.locator(".practice-finding").all_inner_texts()
    ]
    # What was done: side gain 0.45 (-6.9 dB), vocal fader -3 dB, +2 LU, a bell of +2 dB at 200 Hz.
    assert len(found) == 4, found
    assert found[0].startswith("The image is narrower than in the reference")
    # The vocal and the loudness weigh about alike, so either may come first.
    vocal, whole = sorted(found[1:3], key=lambda words: not words.startswith("“vocal lead”"))
    told = re.match(r"“vocal lead” sits ([\d.]+) dB lower against the rest", vocal)
    # 0.5 dB: the project's own goal for a stem's difference, no outside source.
    assert told, vocal
    assert float(told[1]) == pytest.approx(3.0, abs=0.5)
    assert whole.startswith("The mix as a whole is 2.0 LU louder")
    assert found[3].startswith("Around 200 Hz")
    assert " more than the reference" in found[3]
    expect(page.locator("main")).to_contain_text("Different is not wrong.")
    assert violations(page) == []
    page.set_viewport_size({"width": 360, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360

    page.get_by_role("link", name="Listen and take notes").click()
    expect(page.locator("[data-live]")).to_contain_text("being prepared")
    work_off("prepare_practice_booth")
    work_off("make_copy")
    page.reload()
    page.get_by_role("button", name="Ready to listen").click()
    expect(page.locator("[data-booth-copies] button")).to_have_count(3)
    page.locator("[data-booth-seek]").fill("7.5")
    page.get_by_role("button", name="At the booth’s position").click()
    page.get_by_label("Note", exact=True).fill("Here the voice is behind the guitars.")
    page.get_by_role("button", name="Keep the note").click()
    expect(page.locator("#notes")).to_contain_text("0:07.5")
    page.get_by_role("button", name="Ready to listen").click()
    page.get_by_role("button", name="Go to 0:07.5").click()
    expect(page.locator("[data-booth-position]")).to_have_text("0:07.5")
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
