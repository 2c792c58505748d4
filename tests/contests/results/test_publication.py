"""A result publishes itself at a moment: exactly, once, recorded; and until then every channel is shut."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse

from academy.config.celery import app
from academy.letters.models import Letter
from contests import tasks
from contests.models import Contest, Prize
from contests.prizes import giving
from contests.results import publishing
from contests.results.publishing import ResultRefused
from contests.states import ContestState, VoteState
from contests.voting import running
from tests import cast
from tests.contests import stages
from tests.contests.hosting.conftest import signed_in
from tests.contests.results.test_standings import BY_HAND
from tests.contests.stages import AFTER_THE_CLOSE
from tests.contests.voting import staging as voting

pytestmark = pytest.mark.django_db

AT = AFTER_THE_CLOSE + timedelta(days=3)
A_SECOND = timedelta(seconds=1)


@pytest.fixture
def stage(db):
    """A small decided contest; its zone is Europe/Lisbon."""
    stage, _ = stages.judged_by_table(BY_HAND)
    publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    stage.reread()
    return stage


def set_for(stage, at=AT, now=AFTER_THE_CLOSE):
    return publishing.set_publication(stage.contest.pk, at, actor=stage.host, now=now)


def actions(stage):
    return list(stage.contest.decisions.order_by("number").values_list("action", "actor"))[-2:]


class TestMoment:
    def test_not_a_second_early_and_once(self, stage):
        set_for(stage)
        assert publishing.publish_due(AT - A_SECOND) == 0
        assert stage.reread().state == ContestState.DECIDED
        assert publishing.publish_due(AT) == 1
        assert publishing.publish_due(AT) == 0
        assert stage.reread().state == ContestState.PUBLISHED
        assert actions(stage) == [("publication set", stage.host.pk), ("result published", None)]
        line = stage.contest.decisions.order_by("number").last()
        assert (line.decided_at, line.details) == (AT, {"was set for": AT.isoformat()})

    def test_entrants_are_told_once(self, stage):
        set_for(stage)
        for _ in range(2):
            publishing.publish_due(AT)
            stages.run_all_jobs()
        assert Letter.objects.filter(kind="result-published").count() == len(stage.entries)

    def test_it_can_be_taken_back(self, stage):
        set_for(stage)
        publishing.cancel_publication(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert publishing.publish_due(AT + timedelta(days=400)) == 0
        assert actions(stage)[-1] == ("publication cancelled", stage.host.pk)
        publishing.cancel_publication(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert actions(stage)[-2][0] == "publication set"  # taking back nothing is no decision

    def test_it_can_be_moved(self, stage):
        set_for(stage)
        set_for(stage, AT + timedelta(days=1))
        assert publishing.publish_due(AT) == 0
        assert publishing.publish_due(AT + timedelta(days=1)) == 1

    @pytest.mark.parametrize("at", [AFTER_THE_CLOSE, AFTER_THE_CLOSE - A_SECOND])
    def test_what_is_not_to_come_is_refused(self, stage, at):
        with pytest.raises(ResultRefused, match="Set a later moment"):
            set_for(stage, at)

    def test_it_needs_a_decided_result(self):
        stage, _ = stages.judged_by_table(BY_HAND)
        with pytest.raises(ResultRefused, match="Decide the result first"):
            set_for(stage)
        publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        with pytest.raises(ResultRefused, match="published already"):
            set_for(stage)

    def test_one_address_asks_about_one_contest(self, stage):
        set_for(stage)
        assert publishing.publish_due(AT, slug="another") == 0
        assert publishing.publish_due(AT, slug=stage.contest.slug) == 1

    def test_the_beat_has_it_and_it_goes_by_the_clock(self, stage, clock):
        app.loader.import_default_modules()
        scheduled = {line["task"] for line in settings.CELERY_BEAT_SCHEDULE.values()}
        assert {"contests.tasks.publish_due", "contests.tasks.sweep_prizes"} <= scheduled & set(app.tasks)
        set_for(stage)
        clock.now = AT - A_SECOND
        tasks.publish_due()
        assert stage.reread().state == ContestState.DECIDED
        clock.now = AT
        tasks.publish_due()
        assert stage.reread().state == ContestState.PUBLISHED

    def test_a_vote_that_is_not_counted_holds_back_its_own_result_alone(self, stage, clock):
        set_for(stage)
        vote = voting.laid_out(stage, state=VoteState.PREPARED, closes_at=AT)
        other, _ = stages.judged_by_table(BY_HAND)
        publishing.decide_result(other.contest.pk, actor=other.host, now=AFTER_THE_CLOSE)
        set_for(other)
        clock.now = AT
        assert publishing.publish_due(AT) == 1
        assert (stage.reread().state, other.reread().state) == ("decided", "published")
        page = Client().get(reverse("contests:contest", args=[stage.contest.slug]))
        assert (page.status_code, stage.reread().state) == (200, "decided")
        desk = signed_in(stage.host).get(reverse("contests:hosted", args=[stage.contest.slug]))
        assert "waits for the public vote" in desk.content.decode()
        running.count_vote(vote.contest_id, actor=stage.host, now=AT)
        assert publishing.publish_due(AT) == 1
        assert stage.reread().state == ContestState.PUBLISHED

    @pytest.mark.parametrize("name", ["result", "contest"])
    def test_whoever_looks_at_the_second_finds_it(self, stage, clock, name):
        set_for(stage)
        page = reverse(f"contests:{name}", args=[stage.contest.slug])
        clock.now = AT - A_SECOND
        Client().get(page)
        assert stage.reread().state == ContestState.DECIDED
        clock.now = AT
        assert Client().get(page).status_code == 200
        assert stage.reread().state == ContestState.PUBLISHED


class TestForm:
    def at(self, stage):
        return reverse("contests:schedule", args=[stage.contest.slug])

    def test_the_wall_clock_is_the_contests(self, stage):
        # Lisbon puts its clocks forward on 2031-03-30 at 01:00 UTC (IANA time zone database).
        browser = signed_in(stage.host)
        browser.post(self.at(stage), {"at": "2031-03-30T18:00"})
        assert stage.reread().publish_at == datetime(2031, 3, 30, 17, 0, tzinfo=UTC)
        browser.post(self.at(stage), {"at": "2031-03-29T18:00"})
        assert stage.reread().publish_at == datetime(2031, 3, 29, 18, 0, tzinfo=UTC)

    @pytest.mark.parametrize(
        ("wall", "why"),
        [("2031-03-30T01:30", "never show"), ("2031-10-26T01:30", "twice"), ("soon", "Write date")],
    )
    def test_a_time_that_is_none_or_two_is_refused(self, stage, wall, why):
        answer = signed_in(stage.host).post(self.at(stage), {"at": wall})
        assert answer.status_code == 422
        assert why in answer.content.decode()
        assert stage.reread().publish_at is None

    def test_it_is_shown_and_taken_back_on_the_page(self, stage):
        set_for(stage)
        browser = signed_in(stage.host)
        result = reverse("contests:result", args=[stage.contest.slug])
        desk = reverse("contests:hosted", args=[stage.contest.slug])
        assert "Publishes itself" in browser.get(result).content.decode()
        assert "The result publishes itself" in browser.get(desk).content.decode()
        browser.post(self.at(stage), {"act": "cancel"})
        assert stage.reread().publish_at is None
        assert "Publishes itself" not in browser.get(result).content.decode()

    def test_a_moment_that_was_missed_is_told_to_the_host(self, stage, clock):
        set_for(stage)
        clock.now = AT + timedelta(minutes=10)
        desk = reverse("contests:hosted", args=[stage.contest.slug])
        assert "and has not. Publish it by hand" in signed_in(stage.host).get(desk).content.decode()

    def test_it_is_for_hosts(self, stage):
        assert Client().post(self.at(stage), {"at": "2031-04-01T12:00"}).status_code == 302
        entrant = signed_in(stage.entries[0].member)
        assert entrant.post(self.at(stage), {"at": "2031-04-01T12:00"}).status_code == 404
        assert signed_in(stage.host).get(self.at(stage)).status_code == 405
        assert stage.reread().publish_at is None


def crawl(browser: Client, begin: list[str]) -> dict[str, bytes]:
    """Every page and file of this site that can be reached by following addresses, with its bytes."""
    found: dict[str, bytes] = {}
    waiting = list(begin)
    while waiting:
        address = waiting.pop().split("#")[0]
        if address in found or not address.startswith("/") or address.startswith("/static/"):
            continue
        answer = browser.get(address)
        found[address] = b"".join(answer) if answer.streaming else answer.content
        if answer.status_code == 302:
            waiting.append(answer["Location"])
        if answer.status_code == 200 and answer["Content-Type"].startswith("text/html"):
            body = answer.content.decode()
            waiting += re.findall(r'(?:href|src|data-live)="([^"]+)"', body)
    return found


class TestEmbargo:
    def of_the_result(self, slug: str, code: str, receipt: str) -> list[str]:
        """Every address that tells the result once it is out, the result's own page first."""
        return [
            reverse("contests:result", args=[slug]),
            reverse("contests:hear_result", args=[code, 0]),
            reverse("contests:scorecard", args=[receipt]),
            reverse("contests:certificate", args=[receipt]),
            reverse("contests:certificate_file", args=[receipt, "place", "png"]),
            reverse("contests:certificate_check", args=[receipt]),
            reverse("contests:own_prizes", args=[receipt]),
        ]

    def of_the_host(self, slug: str) -> list[str]:
        """Every address that tells it before, to hosts."""
        names = ("standings", "standings_csv", "firmness", "export", "host_prizes", "host_log")
        return [reverse(f"contests:{name}", args=[slug]) for name in names]

    def test_every_channel_is_shut_until_then_and_open_from_then_on(self, clock):
        stage = stages.decided()
        contest, slug = stage.contest, stage.contest.slug
        Prize.objects.create(contest=contest, place=1, title="Cables", handing="shipped")
        special = Prize.objects.create(contest=contest, special="Boldest", title="A lamp")
        giving.give_by_place(contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        last = stage.entries[-1]
        giving.give(special.pk, last.receipt, actor=stage.host, now=AFTER_THE_CLOSE, reason="Bold.")
        set_for(stage)
        clock.now = AT - A_SECOND
        stages.run_all_jobs()
        publishing.publish_due(clock.now)

        own = stage.entries[0]
        codes = [result.code for result in contest.results.all()]
        names = [entry.member.name for entry in stage.entries]
        shut, hosts_only = self.of_the_result(slug, codes[0], own.receipt), self.of_the_host(slug)
        begin = ["/", reverse("contests:list"), reverse("contests:contest", args=[slug])]
        begin += [reverse("members:page"), reverse("contests:entry", args=[own.receipt])]
        people = {
            "nobody": (None, names),
            "stranger": (cast.member("Ilka Roe"), names),
            "entrant": (own.member, names[1:]),
            "judge": (stage.judges[0].member, names),
        }
        reached = {}
        for who, (member, secrets) in people.items():
            browser = signed_in(member) if member else Client()
            for address in [*shut, *hosts_only]:
                assert browser.get(address).status_code in {302, 404}, (who, address)
            reached[who] = crawl(browser, begin)
            assert len(reached[who]) > 5, who
            for address, body in reached[who].items():
                for secret in [*secrets, *codes, "Goes to", "scorecard", "certificate"]:
                    assert secret.encode() not in body, (who, address, secret)
        told = Letter.objects.filter(kind__in=["result-published", "prize-told", "prize-choose"])
        assert not told.exists()

        # The same walk, a second later, finds it all: so it was shut, and the walk was able to see.
        clock.now = AT
        tasks.publish_due()
        stages.run_all_jobs()
        for who, (member, secrets) in people.items():
            browser = signed_in(member) if member else Client()
            assert browser.get(shut[0]).status_code == 200, who
            walked = b"".join(crawl(browser, begin).values())
            assert all(name.encode() in walked for name in secrets), who
            assert f"Goes to {last.member.name}".encode() in walked, who
        assert {browser.get(address).status_code for address in hosts_only} == {404}
        assert told.filter(kind="prize-told").count() == 2
        assert Contest.objects.get(pk=contest.pk).decisions.filter(action="result published").count() == 1
