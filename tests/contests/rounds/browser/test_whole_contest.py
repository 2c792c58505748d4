"""The demo's contest judged in real browsers, from the first sheet to an export that somebody altered.

Four judges sit on its panel. One drops out half way, one recognises a mix and stands aside, one is two points
stricter than the rest. What the host's pages then say of every place is computed once more, in
`least_squares`, from what was typed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
import pytest
from playwright.sync_api import Browser, Locator, expect

from contests.demo.people import PASS_PHRASE
from fixtures.people import Person, everybody
from fixtures.scenario import SCENARIO
from fixtures.verdicts import WORTH
from tests.browser.listening import listen
from tests.browser.person import Visitor, windows
from tests.contests.rounds.browser.forging import ALTERATIONS, SIGNATURE, altered
from tests.contests.rounds.browser.least_squares import Fit, by_least_squares
from tests.demo_site import CONTEST, copy_of
from tests.services.serving import Served, serving
from tests.services.site import Site

pytestmark = pytest.mark.needs("chromium")

LEAVER, RECOGNISER, SEVERE, FOURTH = (judge for judge in SCENARIO.judges if judge.key in CONTEST.judges)
STRICTER_BY = 2.0
LEAST_WORTH = 3.5  # so that the severe judge's sheets are not cut off at the low end of the scale
SHOWN = 0.0051  # a page shows two decimals
GOING_ON = 3

Hearing = dict[str, Any]
Enter = Callable[[Person], Visitor]


@pytest.fixture
def site(demo_with_judges_in: Path, tmp_path: Path) -> Iterator[Served]:
    """The demo's contest with its judges let in, served, with a worker."""
    site = Site(copy_of(demo_with_judges_in, tmp_path / "site"))
    with serving(site) as served:
        yield served
    site.close()


@pytest.fixture
def visit(chromium: Browser, site: Served) -> Iterator[Enter]:
    """A browser of their own for whoever comes."""
    with windows(chromium, site.address) as open_one:

        def visit(person: Person) -> Visitor:
            visitor = open_one()
            visitor.sign_in(person, PASS_PHRASE)
            return visitor

        yield visit


def test_from_the_first_sheet_to_an_altered_export(site: Served, visit: Enter, tmp_path: Path) -> None:
    host = visit(SCENARIO.host)
    leaver = at_the_desk(visit, LEAVER)
    score(leaver, LEAVER, first_half(waiting(site, LEAVER)))
    take_off_the_panel(host, site)

    recogniser = at_the_desk(visit, RECOGNISER)
    stand_aside(recogniser, known_mix(site))
    find_another_judge(host, site)

    for judge in (RECOGNISER, SEVERE, FOURTH):
        page = recogniser if judge is RECOGNISER else at_the_desk(visit, judge)
        open_desk(page)  # hearings have come since
        score(page, judge, waiting(site, judge))
    close_the_round(host)

    expected = by_least_squares(totals_given(site))
    every_place_is_explained(host, expected)
    severities_are_told(host, expected)
    chances_are_told(host)
    count_the_vote(host)
    decide_and_publish(host, expected)

    export = download_the_export(host, tmp_path)
    recounts(site, export)
    for name, (alter, sentence) in ALTERATIONS.items():
        is_refused(site, altered(export, tmp_path / f"{name}.json", alter), sentence)


# -- the judges


def at_the_desk(visit: Enter, judge: Person) -> Visitor:
    """A judge who opens the desk and listens, switching between the mixes."""
    visitor = visit(judge)
    open_desk(visitor)
    listen(visitor)
    return visitor


def open_desk(judge: Visitor) -> None:
    judge.go(f"/contests/judging/rounds/{CONTEST.slug}/1/")


def score(judge: Visitor, person: Person, hearings: list[Hearing]) -> None:
    """Write and submit a sheet for each of the hearings."""
    assert hearings
    for hearing in hearings:
        form = sheet_of(judge, hearing)
        mix = PEOPLE[hearing["entrant"]].key
        fields = form.locator("input[type=number]").all()
        for criterion, field in zip(CONTEST.rubric, fields, strict=True):
            field.fill(f"{points(person, mix, criterion.name):g}")
        form.get_by_label("Comment to the entrant").fill("The verse breathes.")
        form.get_by_role("button", name="Submit and seal").click()
        expect(form.locator("[data-sheet-state]")).to_contain_text("is submitted")


def stand_aside(judge: Visitor, hearing: Hearing) -> None:
    form = sheet_of(judge, hearing)
    form.get_by_text("I recognise this mix").click()
    form.get_by_role("button", name=f"Stand aside from mix {hearing['label']}").click()
    expect(form.locator("[data-sheet-state]")).to_contain_text("You stood aside")


def sheet_of(judge: Visitor, hearing: Hearing) -> Locator:
    judge.page.locator(f"[data-desk-open='{hearing['code']}']").click()
    form = judge.page.locator("[data-desk-sheet]:not([hidden]) form")
    expect(form.locator("h2")).to_contain_text(f"Mix {hearing['label']}")
    return form


def points(judge: Person, mix: str, criterion: str) -> float:
    """What a judge gives: what the mix is worth, half a point of an own ear, two less from the severe one."""
    worth = max(round(2 * WORTH[mix][criterion]) / 2, LEAST_WORTH)
    ear = (crc32(f"{judge.key} {mix} {criterion}".encode()) % 3 - 1) / 2
    return worth + ear - (STRICTER_BY if judge is SEVERE else 0.0)


# -- the hearings as the site keeps them

PEOPLE = {person.email: person for person in everybody()}


def hearings_of(site: Served) -> list[Hearing]:
    found: list[Hearing] = site.site.play("hearings_of", contest=CONTEST.slug)
    return found


def waiting(site: Served, judge: Person) -> list[Hearing]:
    return [one for one in hearings_of(site) if one["judge"] == judge.email and one["state"] == "waiting"]


def first_half(hearings: list[Hearing]) -> list[Hearing]:
    return hearings[: -(-len(hearings) // 2)]


def known_mix(site: Served) -> Hearing:
    """A mix that waits for the recogniser and that the leaver has scored, so that somebody is left for it.

    There is one: the leaver scored four, and the recogniser was not given three mixes of ten at most.
    """
    given = hearings_of(site)
    scored = {one["receipt"] for one in given if one["judge"] == LEAVER.email and one["state"] == "submitted"}
    return next(one for one in waiting(site, RECOGNISER) if one["receipt"] in scored)


def moved(before: list[Hearing], after: list[Hearing], *, of: Person) -> list[Hearing]:
    """What was given out between two readings in place of what fell away from a judge.

    It comes among what its judges have not begun, which keeps its order and moves apart. Everything else has
    to be as it was.
    """
    kept = {one["code"]: one for one in after}
    own = [one for one in before if one["judge"] == of.email]
    fallen = [one for one in own if kept[one["code"]] != one]
    assert all(kept[one["code"]] == one | {"state": "stood_aside"} for one in fallen)
    for one in before:
        if one["judge"] != of.email:
            now = kept[one["code"]]
            assert now == one | {key: now[key] for key in ("position", "label")}
            assert one["state"] == "waiting" or now == one
    known = {one["code"] for one in before}
    assert [one["code"] for one in after if one["code"] in known] == [one["code"] for one in before]
    new = [one for one in after if one["code"] not in known]
    assert of.email not in {one["judge"] for one in new}
    pairs = [(one["judge"], one["receipt"]) for one in after]
    assert len(pairs) == len(set(pairs))  # nobody is given a mix twice
    assert sorted(one["receipt"] for one in new) == sorted(one["receipt"] for one in fallen)
    return new


# -- the host


def desk(host: Visitor) -> None:
    host.go(f"/contests/hosting/{CONTEST.slug}/")


def take_off_the_panel(host: Visitor, site: Served) -> None:
    """Let the leaver go; what she has not heard goes to others, among what they have not begun."""
    before = hearings_of(site)
    fall_away = waiting(site, LEAVER)
    desk(host)
    host.follow(host.page.get_by_role("link", name=LEAVER.name))
    form = host.page.locator("form[action$='drop-out/']")
    form.get_by_label("Reason").fill("Has a cold, and one ear is shut.")
    host.send("Give the hearings to others")
    expect(host.page.locator(".message")).to_contain_text(
        f"{LEAVER.name} has left the round; {len(fall_away)} hearings go to other judges"
    )
    assert len(moved(before, hearings_of(site), of=LEAVER)) == len(fall_away)
    assert not waiting(site, LEAVER)


def find_another_judge(host: Visitor, site: Served) -> None:
    """One hearing has fallen away; the one judge who has not been given that mix gets it."""
    before = hearings_of(site)
    desk(host)
    host.send("Find other judges")
    expect(host.page.locator(".message")).to_contain_text("Another judge has been found for 1 hearing.")
    known = {one["code"] for one in before}
    (new,) = (one for one in hearings_of(site) if one["code"] not in known)
    assert new["judge"] in {SEVERE.email, FOURTH.email}


def close_the_round(host: Visitor) -> None:
    desk(host)
    expect(host.page.locator("main")).to_contain_text("Every sheet is in. Close the judging.")
    host.send("Close the judging")
    expect(host.page.locator(".message")).to_contain_text("The judging is closed.")


def count_the_vote(host: Visitor) -> None:
    """The contest's public vote is still open; it has to be over before names are out."""
    host.go(f"/contests/hosting/{CONTEST.slug}/vote/")
    host.page.get_by_text("Before its time").click()
    host.page.get_by_label("Why does it end early?").fill("The panel was quicker than we thought.")
    host.send("End the vote early")
    host.send("Count the vote")
    expect(host.page.locator(".message")).to_contain_text("The vote is counted.")


def decide_and_publish(host: Visitor, expected: Fit) -> None:
    """Confirm the computed places, look at the page as everybody will see it, publish."""
    standing(host)
    host.send("Decide the result")
    expect(host.page.locator("main")).to_contain_text("The host decided the places as they were computed.")
    host.send("Publish the result")
    expect(host.page.locator(".message")).to_contain_text("The result is published")
    names = host.page.locator("ol.places h3").all_inner_texts()
    adjusted = {SCENARIO.member(mix).name: value for mix, value in expected.adjusted.items()}
    assert sorted(names) == sorted(adjusted)
    # Who comes out equal, as chance will have it with so few judges, may stand either way.
    in_order = [adjusted[name] for name in names]
    assert in_order == pytest.approx(sorted(in_order, reverse=True), abs=1e-9)


# -- the arithmetic, once more


def totals_given(site: Served) -> dict[tuple[str, str], tuple[float, str]]:
    """Each submitted sheet's weighted total, and the receipt, by the keys of mix and judge."""
    whole = sum(criterion.weight for criterion in CONTEST.rubric)
    totals = {}
    for one in hearings_of(site):
        if one["state"] == "submitted":
            judge, mix = PEOPLE[one["judge"]], PEOPLE[one["entrant"]].key
            weighed = sum(line.weight * points(judge, mix, line.name) for line in CONTEST.rubric)
            totals[mix, judge.key] = (weighed / whole, one["receipt"])
    assert len(totals) == len(CONTEST.entries) * CONTEST.hearings_per_entry
    return totals


# -- what the host's pages say of it


def standing(host: Visitor) -> None:
    host.go(f"/contests/results/{CONTEST.slug}/standing/")


def cell(row: Locator, name: str) -> str:
    return row.locator(f"[data-label='{name}']").inner_text().strip()


def every_place_is_explained(host: Visitor, expected: Fit) -> None:
    """Place, adjusted and given total, standard error, judges, and whether the first is beyond doubt."""
    standing(host)
    rows = host.page.locator("table").first.locator("tbody tr").all()
    assert len(rows) == len(CONTEST.entries)
    for row in rows:
        mix = expected.receipts[row.locator("th").inner_text().strip()]
        assert int(cell(row, "Place")) == expected.place(mix)
        assert float(cell(row, "Adjusted")) == pytest.approx(expected.adjusted[mix], abs=SHOWN)
        assert float(cell(row, "Mean as given")) == pytest.approx(expected.raw[mix], abs=SHOWN)
        assert float(cell(row, "Standard error").strip("±")) == pytest.approx(expected.error[mix], abs=SHOWN)
        assert int(cell(row, "Judges")) == CONTEST.hearings_per_entry
        behind, reach = expected.behind_first[mix]
        word = cell(row, "Beside the first")
        if expected.place(mix) == 1:
            assert word == "first"
        else:
            # All that may be the first taken together are other entries than each compared alone.
            assert word in {"could be the best", "within the error" if behind <= reach else "clearly behind"}
    words = {cell(row, "Beside the first") for row in rows}
    assert {"first", "could be the best", "clearly behind"} <= words


def severities_are_told(host: Visitor, expected: Fit) -> None:
    """Each judge beside the panel; the severe one is stricter by two than the mean of the others, about."""
    told = {}
    rows = host.page.locator("table").nth(1).locator("tbody tr").all()
    for row in rows:
        sign, value = re.fullmatch(r"(stricter|more generous) by ([\d.]+)", cell(row, "Severity")).groups()
        told[row.locator("th").inner_text().strip()] = float(value) * (1 if sign == "stricter" else -1)
    by_name = {judge.name: expected.severity[judge.key] for judge in SCENARIO.judges}
    assert told == pytest.approx(by_name, abs=SHOWN)
    others = [value for name, value in told.items() if name != SEVERE.name]
    assert told[SEVERE.name] - np.mean(others) == pytest.approx(STRICTER_BY, abs=0.4)


def chances_are_told(host: Visitor) -> None:
    """The chances to be truly among the best three add up to three: as many are, whoever they are."""
    host.go(f"/contests/results/{CONTEST.slug}/firmness/?keep={GOING_ON}")
    table = host.page.get_by_role("region", name="Chances to go on")
    chances = [percent(cell(row, "Chance")) for row in table.locator("tbody tr").all()]
    assert len(chances) == len(CONTEST.entries)
    assert sum(chances) == pytest.approx(GOING_ON, abs=0.005 * len(chances))
    assert chances[0] > 0.9
    assert chances[-1] < 0.1


def percent(words: str) -> float:
    """The middle of what the words of a chance may mean."""
    at_the_end = {"under 1%": 0.005, "over 99%": 0.995}
    return at_the_end[words] if words in at_the_end else int(words.removesuffix("%")) / 100


# -- the export


def download_the_export(host: Visitor, folder: Path) -> Path:
    standing(host)
    with host.page.expect_download() as download:
        host.page.get_by_text("Export for a recount").click()
    file = folder / "export.json"
    download.value.save_as(file)
    return file


def recounts(site: Served, export: Path) -> None:
    done = site.site.manage("recount", str(export))
    assert done.returncode == 0, done.stderr
    assert "Everything in the file agrees with the recount." in done.stderr


def is_refused(site: Served, file: Path, sentence: str) -> None:
    done = site.site.manage("recount", str(file))
    assert done.returncode == 1
    assert SIGNATURE in done.stderr
    assert sentence in done.stderr, f"{file.name}: {done.stderr}"
    assert "Traceback" not in done.stderr
