"""One contest from the stems to the scorecard, on a served site with a worker, in real browsers.

Pictures of every page go to the folder that PICTURES names.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from contests.demo.people import PASS_PHRASE
from fixtures.people import Person
from fixtures.scenario import SCENARIO
from tests.browser.listening import SLOW_MS, listen
from tests.browser.person import Visitor, pictures_folder, windows
from tests.demo_audio import audio_folder
from tests.services.programs import wait_until
from tests.services.serving import Served, serving
from tests.services.site import Site

pytestmark = [
    pytest.mark.needs("chromium"),
    pytest.mark.needs("unzip"),
    pytest.mark.needs("sha256sum"),
]

CONTEST = next(contest for contest in SCENARIO.contests if contest.stage == "open")
FINISHED = next(contest for contest in SCENARIO.contests if contest.stage == "finished")
ENTRANT = SCENARIO.member("kettle")  # may enter, and has not
COMMENT = "The voice is close and clear from the first word. Try the second guitar further back."


@pytest.fixture(scope="module")
def demo(demo_mixes: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The demo, built by its command and served."""
    folder = tmp_path_factory.mktemp("story")
    (folder / "demo").mkdir()
    (folder / "demo/audio").symlink_to(audio_folder(demo_mixes))
    site = Site(folder)
    built = site.manage("demo", "--no-serve")
    assert built.returncode == 0, built.stderr
    with serving(site) as served:
        yield served


Enter = Callable[[Person | None], Visitor]


@pytest.fixture
def visit(chromium: Browser, demo: Served) -> Iterator[Enter]:
    """Open a browser for somebody, signed in; None for a visitor without an account."""
    with windows(chromium, demo.address, pictures=pictures_folder("PICTURES")) as open_one:

        def visit(person: Person | None) -> Visitor:
            visitor = open_one()
            if person:
                visitor.sign_in(person, PASS_PHRASE)
            return visitor

        yield visit


def test_a_contest_from_the_stems_to_the_scorecard(
    visit: Enter, demo_mixes: list[Path], tmp_path: Path
) -> None:
    look_around(visit(None))
    look_at_what_is_over(visit(SCENARIO.host))
    entrant = visit(ENTRANT)
    fetch_the_stems(entrant, tmp_path, stems=sorted((audio_folder(demo_mixes) / "stems").glob("*.wav")))
    receipt = enter(entrant, audio_folder(demo_mixes) / "mixes" / f"{ENTRANT.key}.wav")
    host = visit(SCENARIO.host)
    close_and_prepare(host)
    panel = [judge for judge in SCENARIO.judges if judge.key in CONTEST.judges]
    for number, judge in enumerate(panel):
        judge_everything(visit(judge), listens=number < 2, told=ENTRANT)
    decide_and_publish(host)
    read_the_scorecard(entrant, receipt)


def look_around(visitor: Visitor) -> None:
    """What everybody sees."""
    for name, path in {
        "front": "/",
        "sign-in": "/members/sign-in/",
        "courses": "/courses/",
        "packs": "/packs/",
        "contests": "/contests/",
        "contest": f"/contests/{CONTEST.slug}/",
        "self-test": "/listening/self-test",
    }.items():
        visitor.go(path)
        visitor.keep(name)
    visitor.go("/courses/")
    visitor.follow(visitor.page.locator("main").get_by_role("link", name=SCENARIO.course.title))
    visitor.keep("course")


def look_at_what_is_over(host: Visitor) -> None:
    """The finished contest: its counted vote beside the panel's places, and a final that was heard anew."""
    host.go(f"/contests/results/{FINISHED.slug}/")
    votes = host.page.get_by_role("region", name="Public vote").locator("tbody tr")
    expect(votes).to_have_count(len(FINISHED.entries))
    expect(votes.first).to_contain_text("first")
    expect(host.page.locator("main")).to_contain_text(f"{len(FINISHED.voters)} ballots of members")
    host.keep("result-with-a-vote")
    host.go(f"/contests/results/{FINISHED.slug}/standing/")
    final, cut = (
        host.page.get_by_role("region", name=f"Judges up to round {number}").locator("tbody").inner_text()
        for number in (2, 1)
    )
    assert final != cut  # the same judges, by other sheets
    host.keep("standing-over-two-rounds")


def fetch_the_stems(entrant: Visitor, folder: Path, *, stems: list[Path]) -> None:
    """Accept the terms, fetch the archive, and check every file in it with the tools of the machine."""
    page = entrant.page
    entrant.go("/members/")
    entrant.keep("own-page")
    entrant.go("/packs/")
    entrant.follow(page.locator("main").get_by_role("link", name=SCENARIO.pack.title))
    expect(page.get_by_role("link", name="Download the whole pack")).to_have_count(0)
    entrant.keep("pack-before-the-terms")
    page.get_by_label("I have read these terms").check()
    entrant.send("Accept the terms")
    expect(page.get_by_role("link", name="Download the whole pack")).to_be_visible(timeout=SLOW_MS)
    entrant.keep("pack")
    said = page.locator("main .key").first.inner_text()
    with page.expect_download() as started:
        page.get_by_role("link", name="Download the whole pack").click()
    archive = folder / "pack.zip"
    started.value.save_as(archive)
    (found, _) = subprocess.run(
        ["sha256sum", archive], capture_output=True, text=True, check=True
    ).stdout.split(maxsplit=1)
    assert found == said
    subprocess.run(["unzip", "-q", archive, "-d", folder / "pack"], check=True)
    (sums,) = (folder / "pack").rglob("SHA256SUMS")
    checked = subprocess.run(
        ["sha256sum", "--check", "--strict", sums.name], cwd=sums.parent, capture_output=True, text=True
    )
    assert checked.returncode == 0, checked.stdout
    unpacked = {path.read_bytes() for path in sums.parent.rglob("*.wav")}
    assert unpacked == {path.read_bytes() for path in stems}  # byte for byte as they were rendered


def enter(entrant: Visitor, mix: Path) -> str:
    """Upload a mix and watch it become ready; its receipt."""
    page = entrant.page
    entrant.go(f"/contests/{CONTEST.slug}/enter/")
    entrant.keep("enter")
    page.set_input_files("input[type=file]", mix)
    page.locator("input[name=accepts_rules]").check()
    entrant.press("Upload and enter")
    page.wait_for_url("**/contests/entries/*/")
    expect(page.locator("[data-live]")).to_contain_text("It stands as your entry", timeout=SLOW_MS)
    entrant.keep("entry")
    entrant.go("/contests/entries/")
    entrant.keep("own-entries")
    receipt = page.locator("main a[href*='/contests/entries/']").first.get_attribute("href")
    assert receipt is not None
    return receipt.rstrip("/").rsplit("/", 1)[-1]


def close_and_prepare(host: Visitor) -> None:
    """Close before the date, decide what needs it, prepare the round, let the judges in."""
    page = host.page
    host.go("/contests/hosting/")
    host.keep("hosting")
    host.follow(page.locator("main").get_by_role("link", name=CONTEST.title))
    host.keep("desk-of-an-open-contest")
    page.get_by_text("Before its time").click()
    page.get_by_label("Why does it close early?").fill("The band goes on tour a week sooner.")
    host.send("Close before the date")
    expect(page.get_by_role("button", name="Prepare the round")).to_be_visible()
    while (waiting := page.locator("tr").filter(has_text="needs attention")).count():
        host.follow(waiting.first.get_by_role("link").first)
        host.keep("entry-to-decide")
        page.get_by_label("Reason").fill("It is heard as it came; the copy puts its rate right.")
        host.send("Accept it as it is")
        host.go(f"/contests/hosting/{CONTEST.slug}/")
    host.send("Prepare the round")
    host.keep("desk-while-copies-are-made")

    def copies_are_ready() -> bool:
        page.reload()
        return page.get_by_text("All copies are ready").count() == 1

    wait_until(copies_are_ready, seconds=SLOW_MS / 1000, what="the copies are ready")
    host.go(f"/contests/hosting/{CONTEST.slug}/plan/")
    expect(page.locator("tbody .status.good")).to_have_count(len(CONTEST.entries) + 1)
    host.keep("match-plan")
    host.go(f"/contests/hosting/{CONTEST.slug}/")
    host.send("Open the judging")
    expect(page.get_by_text("The judges are at work.")).to_be_visible()
    host.keep("desk-while-judged")


def judge_everything(judge: Visitor, *, listens: bool, told: Person) -> None:
    """Hear the copies in the booth, switching between them, then score each sheet and seal it."""
    page = judge.page
    judge.go("/contests/judging/")
    judge.keep("judging")
    judge.follow(page.locator("main").get_by_role("link", name=f"{CONTEST.title}, round 1"))
    if listens:
        listen(judge)
    # Blind: neither the entrant's name nor the file's is anywhere in what the page holds.
    held = page.content()
    assert told.name not in held
    assert SCENARIO.entry_mix(told.key).file_name not in held

    sheets = page.locator("[data-desk-open]")
    for number in range(sheets.count()):
        sheets.nth(number).click()
        sheet = page.locator("[data-desk-sheet]:not([hidden]) form")
        for position, field in enumerate(sheet.locator("input[type=number]").all()):
            field.fill(str(6 + (number + position) % 4))
        sheet.get_by_label("Comment to the entrant").fill(COMMENT)
        if listens and number == 0:
            expect(sheet.locator("[data-sheet-state]")).to_contain_text("Saved", timeout=SLOW_MS)
            judge.keep("judges-desk")
        sheet.get_by_role("button", name="Submit and seal").click()
        expect(sheets.nth(number)).to_contain_text("submitted")
    expect(page.locator("[data-desk-words]")).to_contain_text(
        f"{sheets.count()} of {sheets.count()} sheets submitted"
    )
    judge.keep("judges-desk-done")


def decide_and_publish(host: Visitor) -> None:
    """Close the judging, look at the standing, decide, look at the page, publish."""
    page = host.page
    host.go(f"/contests/hosting/{CONTEST.slug}/")
    host.send("Close the judging")
    host.follow(page.get_by_role("link", name="See the standing and decide"))
    host.keep("standing")
    host.send("Decide the result")
    expect(page.get_by_text("The result is decided.")).to_be_visible()
    host.keep("result-before-it-is-published")
    host.send("Publish the result")
    expect(page.get_by_text("The result is published")).to_be_visible()
    host.keep("result")
    host.go(f"/contests/hosting/{CONTEST.slug}/log/")
    expect(page.get_by_text("The chain holds")).to_be_visible()
    host.keep("decision-log")


def read_the_scorecard(entrant: Visitor, receipt: str) -> None:
    """The entrant finds place, scores and comments."""
    page = entrant.page
    entrant.go(f"/contests/entries/{receipt}/")
    entrant.follow(page.get_by_role("link", name="Your scorecard"))
    expect(page.get_by_role("heading", name="Your scorecard")).to_be_visible()
    expect(page.locator("blockquote").first).to_contain_text(COMMENT)
    assert re.search(rf"Place \d of {len(CONTEST.entries) + 1}", page.locator(".lede").first.inner_text())
    judges = {judge.name for judge in SCENARIO.judges}
    assert not any(name in page.content() for name in judges)
    entrant.keep("scorecard")
    entrant.go("/courses/")
    entrant.follow(page.locator("main").get_by_role("link", name=SCENARIO.course.title))
    entrant.keep("course-of-a-member")
    entrant.follow(page.locator("main a[href^='/courses/']").last)
    entrant.keep("lesson")
