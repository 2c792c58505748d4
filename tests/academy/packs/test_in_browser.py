"""The desk's uploads and the player of stems in a real browser, against a real server."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

import numpy as np
import pytest
from django.templatetags.static import static
from playwright.sync_api import Page, Route, expect

from academy.members.models import Member
from academy.packs import publishing
from academy.packs.models import StemPack
from analysis import audiofile
from tests import cast
from tests.academy.packs import making
from tests.browser.bench import be_busy
from tests.browser.person import sign_in
from tests.working import work_off

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]

RATE_HZ = 48_000


@pytest.fixture(autouse=True)
def quiet_bell(monkeypatch: pytest.MonkeyPatch) -> None:
    """No worker is there: the tests do the jobs."""
    monkeypatch.setattr("analysis.jobs.doorbell.ring", lambda _: True)


def open_as(page: Page, person: Member, site: object, path: str) -> None:
    """Open a page of the site, signed in."""
    sign_in(page, person, str(site))
    page.goto(f"{site}{path}")


def put(path: Path, level: float) -> Path:
    """Write a short stem."""
    path.parent.mkdir(exist_ok=True)
    audio = cast.tone(seconds=0.25, level=level)
    audiofile.write_wav(path, [audio], rate_hz=RATE_HZ, channels=2, subtype="PCM_24")
    return path


class TestDesk:
    def test_many_files_come_in_the_order_chosen_and_a_bad_one_is_named(self, page, live_server, tmp_path):
        pack = making.draft(tmp_path, [])
        files = [
            put(tmp_path / f"{name}.wav", 0.1 * n) for n, name in enumerate(["Kick", "Bass", "Voice"], 1)
        ]
        (tmp_path / "broken.wav").write_bytes(b"RIFF")
        open_as(page, cast.host(), live_server, "/packs/hosting/harbour/")
        page.set_input_files("#stem-file", [files[0], tmp_path / "broken.wav", *files[1:]])
        page.get_by_role("button", name="Put them on the desk").click()
        expect(page.locator("[data-upload-sent]").first).to_contain_text(
            "Show the page as it is now", timeout=30_000
        )
        assert [stem.name for stem in pack.stems.all()] == ["Kick", "Bass", "Voice"]
        expect(page.locator("[data-upload-sent]").first).to_contain_text("“broken.wav”")
        page.faults.clear()  # the browser logs the refusal's status as an error

    def test_a_zip_is_unpacked_while_the_page_looks_on(self, page, live_server, tmp_path):
        pack = making.draft(tmp_path, [])
        with zipfile.ZipFile(tmp_path / "all.zip", "w") as archive:
            for name, level in (("2 Bass", 0.1), ("10 Voice", 0.2)):
                archive.write(put(tmp_path / f"{name}.wav", level), f"Tracks/{name}.wav")
        open_as(page, cast.host(), live_server, "/packs/hosting/harbour/")
        page.set_input_files("#stem-file", tmp_path / "all.zip")
        with page.expect_navigation(timeout=30_000):
            page.get_by_role("button", name="Put them on the desk").click()
        expect(page.locator("[data-live]")).to_contain_text("being unpacked")
        work_off("unpack_stems", "audit_pack")
        expect(page.locator("[data-live]")).to_contain_text("Voice", timeout=20_000)
        assert [stem.name for stem in pack.stems.all()] == ["Bass", "Voice"]


LISTEN_IN = """async ([recording, worklet]) => {
  const { Recording } = await import(recording);
  const player = document.querySelector("[data-stems]").stemPlayer();
  const heard = await Recording.start(player.output.context, worklet);
  player.output.connect(heard.node);
  const louder = (top, one) => (Math.abs(one) > top ? Math.abs(one) : top);
  window.loudestOf = (frames) => heard.sound.channels[0].slice(-frames).reduce(louder, 0);
}"""


def wait_until_heard(page: Page, level: float, *, within: float) -> None:
    """Until the highest sample of the last 0.3 s lies so near to a level; a busy machine may be late."""
    frames = round(0.3 * RATE_HZ)
    for _ in range(150):
        heard = page.evaluate("frames => loudestOf(frames)", frames)
        if abs(heard - level) <= within:
            return
        page.wait_for_timeout(100)
    pytest.fail(f"{heard} is heard, not {level}")


class TestStems:
    @pytest.fixture
    def pack(self, tmp_path) -> StemPack:
        """A noise of 30 s, the same turned, and a soft tone: locked to the sample, the noises cancel."""
        noise = 0.2 * np.random.default_rng(4).uniform(-1, 1, (30 * RATE_HZ, 1))
        noise = np.rint(noise * 2**15) / 2**15  # on the grid of 16 bit, so that no rounding is left over
        pack = making.draft(tmp_path, [])
        for name, sound in (
            ("Noise", noise),
            ("Noise turned", -noise),
            ("Tone", cast.tone(seconds=30.0, level=0.05, channels=1)),
        ):
            publishing.add_stem(pack, making.upload(tmp_path, sound), name=name, owner=None, now=cast.NOW)
        publishing.publish(pack)
        work_off("prepare_previews")
        return pack

    def test_they_sound_as_one_and_each_can_be_heard_alone_or_left_out(self, page, live_server, pack):
        open_as(page, cast.member(), live_server, "/packs/harbour/")
        page.evaluate(
            LISTEN_IN,
            [
                f"{live_server}{static('listening/recording.js')}",
                f"{live_server}{static('listening/recorder.js')}",
            ],
        )
        level = page.locator("[data-stems-level]")
        level.fill("0")
        page.get_by_role("button", name="Play", exact=True).click()
        expect(page.locator("[data-stems-state]")).to_have_text("Playing", timeout=15_000)
        # The noises cancel exactly, so the tone is left. The peaks sum to 0.45, so the set's gain is 1.
        wait_until_heard(page, 0.05, within=2e-4)
        page.wait_for_timeout(2_500)  # over the join of two segments, less the start: nothing but the tone
        assert page.evaluate(f"loudestOf({2 * RATE_HZ})") == pytest.approx(0.05, abs=2e-4)
        page.get_by_role("button", name="Only this Tone").focus()
        page.keyboard.press("Enter")
        page.get_by_role("button", name="Leave out Tone").click()  # “only this” wins
        page.wait_for_timeout(500)
        wait_until_heard(page, 0.05, within=2e-4)
        page.get_by_role("button", name="Only this Tone").click()
        # Both noises without the tone: nothing, but that Chromium divides samples of 16 bit by 32,767 above
        # zero and by 32,768 below, which leaves 0.2 / 32,768. A frame out of place would leave 0.4.
        wait_until_heard(page, 0.0, within=1e-5)
        page.get_by_role("button", name="Only this Noise", exact=True).click()
        wait_until_heard(page, 0.2, within=0.01)
        expect(page.locator("tr", has_text="Noise turned").locator("[data-stem-heard]")).to_have_text(
            "not heard"
        )

    def test_a_busy_machine_and_a_late_segment_leave_them_locked(self, page, live_server, pack):
        open_as(page, cast.member(), live_server, "/packs/harbour/")
        page.evaluate(
            LISTEN_IN,
            [
                f"{live_server}{static('listening/recording.js')}",
                f"{live_server}{static('listening/recorder.js')}",
            ],
        )
        held: list[Route] = []
        page.route(re.compile(r"/listening/1/2$"), lambda route: held.append(route))
        be_busy(page, "AudioBufferSourceNode", "start", [2], ms=150)  # with one stem in place
        page.locator("[data-stems-level]").fill("0")
        page.get_by_role("button", name="Play", exact=True).click()
        state = page.locator("[data-stems-state]")
        expect(state).to_have_text("Playing", timeout=15_000)
        wait_until_heard(page, 0.05, within=2e-4)
        expect(state).to_have_text("Waiting for the sound…", timeout=15_000)
        wait_until_heard(page, 0.0, within=0)
        held.pop().continue_()
        expect(state).to_have_text("Playing", timeout=15_000)
        wait_until_heard(page, 0.05, within=2e-4)
        page.get_by_role("button", name="Stop", exact=True).click()
        wait_until_heard(page, 0.0, within=0)
        # Through two starts, a wait and a stop: a stem out of its place, or of its fade, would leave 0.4.
        assert page.evaluate(f"loudestOf({60 * RATE_HZ})") == pytest.approx(0.05, abs=2e-4)

    def test_who_may_not_fetch_gets_no_player_and_no_sound(self, client, pack):
        StemPack.objects.update(tier=cast.tier("full"))
        segment = "/packs/harbour/versions/1/listening/1/0"
        client.force_login(cast.member())
        assert "data-stems" not in client.get("/packs/harbour/").content.decode()
        assert client.get(segment).status_code == 404
        client.force_login(cast.member(tier=cast.tier("full")))
        assert client.get(segment).status_code == 200
        assert [client.get(f"{segment[:-1]}{index}").status_code for index in (14, 15)] == [200, 404]
        assert client.get("/packs/harbour/versions/1/listening/4/0").status_code == 404
        publishing.change_terms(pack, "Others.")
        assert client.get(segment).status_code == 404  # an old version is not heard any more either
