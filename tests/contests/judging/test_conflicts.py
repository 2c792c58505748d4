"""Conflicts of interest are hard: the two never meet, whenever it is said."""

from __future__ import annotations

import pytest

from contests import decisions
from contests.judging.assigning import AssignRefused, assign_round
from contests.judging.conflicts import ConflictRefused, declare_conflict
from contests.judging.filling_up import drop_out, fallen_away, fill_up
from contests.judging.panel import PanelRefused
from contests.models import Assignment, Conflict, Decision, Judge
from contests.states import ContestState, HearingState
from tests import cast
from tests.contests import stages
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db

FOUR_JUDGES = ["Ruy Halden", "Signe Okafor", "Tavi Brandt", "Una Weir"]
FOUR_ENTRANTS = ["Ansa Merrow", "Bero Lund", "Ceri Vanterpool", "Dov Halloran"]


def declare(judge: Judge, email: str) -> Conflict:
    return declare_conflict(judge, email, by=judge.member, now=AFTER_THE_CLOSE)


def meetings(stage: stages.Stage) -> set[tuple[int, int]]:
    return set(stage.round.assignments.values_list("judge", "entry"))


def order_of(stage: stages.Stage, judge: Judge) -> list[tuple]:
    """The judge's hearings in order, without the letters: those of what is not begun may move."""
    own = stage.round.assignments.filter(judge=judge).order_by("position")
    return list(own.values_list("entry", "code"))


@pytest.fixture
def judging() -> stages.Stage:
    """Open to four judges; each of four entries is heard by two."""
    return stages.judging(judges=FOUR_JUDGES, entrants=FOUR_ENTRANTS)


class TestDeclareConflict:
    def test_before_the_assignment_the_two_never_meet(self):
        stage = stages.prepared(judges=FOUR_JUDGES)
        drawn = stage.round.assignments.select_related("judge__member", "entry__member").first()
        judge, entry = drawn.judge, drawn.entry
        declare(judge, entry.member.email.upper())
        assert not stage.round.assignments.exists()  # what was drawn without knowing it is gone
        for seed in range(12):
            round_ = stage.round
            round_.seed = seed
            round_.save()
            assign_round(round_, AFTER_THE_CLOSE)
            assert (judge.pk, entry.pk) not in meetings(stage)

    def test_in_an_open_round_the_judge_is_taken_off_that_mix_alone(self, judging):
        hearing = judging.round.assignments.filter(state=HearingState.WAITING).first()
        declare(hearing.judge, hearing.entry.member.email)
        hearing.refresh_from_db()
        assert hearing.state == HearingState.STOOD_ASIDE
        assert judging.round.assignments.filter(state=HearingState.STOOD_ASIDE).count() == 1

    def test_a_sheet_that_is_in_stays_and_is_counted_in_the_log(self, judging):
        hearing = judging.round.assignments.first()
        stages.submit(hearing, {one.pk: 5.0 for one in judging.contest.criteria.all()})
        declare(hearing.judge, hearing.entry.member.email)
        hearing.refresh_from_db()
        assert hearing.state == HearingState.SUBMITTED
        line = Decision.objects.filter(action="conflict declared").get()
        assert line.details == {"judge": hearing.judge_id, "sheets already in": 1}

    def test_somebody_who_has_not_entered_is_no_matter(self, judging):
        before = meetings(judging)
        declare(judging.judges[0], "nobody@example.org")
        assert meetings(judging) == before

    def test_the_log_does_not_name_the_person(self, judging):
        declare(judging.judges[0], "cousin@example.org")
        line = Decision.objects.filter(action="conflict declared").get()
        assert "cousin" not in str(decisions.as_line(line))

    def test_twice_and_too_late_are_refused(self, judging):
        declare(judging.judges[0], "cousin@example.org")
        with pytest.raises(ConflictRefused, match="already"):
            declare(judging.judges[0], "Cousin@example.org")
        judging.contest.state = ContestState.PUBLISHED
        judging.contest.save()
        with pytest.raises(ConflictRefused, match="decided"):
            declare(judging.judges[1], "cousin@example.org")


class TestFillUp:
    def test_what_fell_away_goes_to_somebody_else_and_all_else_keeps_its_order(self, judging):
        hearing = judging.round.assignments.filter(state=HearingState.WAITING).first()
        before = {judge.pk: order_of(judging, judge) for judge in judging.judges}
        declare(hearing.judge, hearing.entry.member.email)
        assert fallen_away(judging.round) == {hearing.entry: 1}
        assert fill_up(judging.round, actor=judging.host, now=AFTER_THE_CLOSE) == 1
        assert fallen_away(judging.round) == {}
        new = Assignment.objects.latest("pk")
        assert (new.entry, new.state) == (hearing.entry, HearingState.WAITING)
        assert new.judge != hearing.judge
        for judge in judging.judges:
            assert [one for one in order_of(judging, judge) if one[1] != new.code] == before[judge.pk]
        labels = list(judging.round.assignments.filter(judge=new.judge).values_list("label", flat=True))
        assert len(set(labels)) == len(labels)

    def test_with_nothing_missing_it_does_nothing(self, judging):
        before = Decision.objects.count()
        assert fill_up(judging.round, actor=judging.host, now=AFTER_THE_CLOSE) == 0
        assert Decision.objects.count() == before

    def test_nobody_is_asked_again_who_stood_aside(self):
        stage = stages.judging(judges=["Ruy Halden", "Signe Okafor"])
        hearing = stage.round.assignments.first()
        declare(hearing.judge, hearing.entry.member.email)
        with pytest.raises(AssignRefused, match="No other judge may hear"):
            fill_up(stage.round, actor=stage.host, now=AFTER_THE_CLOSE)
        assert meetings(stage) == {(j.pk, e.pk) for j in stage.judges for e in stage.entries}


class TestDropOut:
    def test_only_what_is_not_submitted_moves(self, judging):
        judge = judging.judges[0]
        own = list(judging.round.assignments.filter(judge=judge).order_by("position"))
        stages.submit(own[0], {one.pk: 5.0 for one in judging.contest.criteria.all()})
        others = {one.pk: order_of(judging, one) for one in judging.judges[1:]}
        moved = drop_out(judge, actor=judging.host, now=AFTER_THE_CLOSE, reason="Illness.")
        assert moved == len(own) - 1
        own[0].refresh_from_db()
        assert own[0].state == HearingState.SUBMITTED
        assert fallen_away(judging.round) == {}
        for one in judging.judges[1:]:
            after = order_of(judging, one)
            assert [hearing for hearing in after if hearing in others[one.pk]] == others[one.pk]
        line = Decision.objects.get(action="judge dropped out")
        assert (line.reason, line.details["hearings"]) == ("Illness.", moved)

    def test_who_left_gets_nothing_any_more(self, judging):
        gone, other = judging.judges[:2]
        drop_out(gone, actor=judging.host, now=AFTER_THE_CLOSE, reason="Illness.")
        hearing = judging.round.assignments.filter(judge=other, state=HearingState.WAITING).first()
        declare(other, hearing.entry.member.email)
        fill_up(judging.round, actor=judging.host, now=AFTER_THE_CLOSE)
        assert not judging.round.assignments.filter(judge=gone, state=HearingState.WAITING).exists()

    def test_it_is_refused_where_nobody_can_take_over_and_nothing_has_changed(self):
        stage = stages.judging(judges=["Ruy Halden", "Signe Okafor"])
        with pytest.raises(PanelRefused, match="Seat another judge"):
            drop_out(stage.judges[0], actor=stage.host, now=AFTER_THE_CLOSE, reason="Illness.")
        assert not stage.round.assignments.exclude(state=HearingState.WAITING).exists()
        assert not Judge.objects.filter(has_left=True).exists()
        assert not Decision.objects.filter(action="judge dropped out").exists()

    def test_a_second_press_of_the_button_is_refused_and_records_nothing(self, judging):
        judge = Judge.objects.get(pk=judging.judges[0].pk)
        drop_out(judging.judges[0], actor=judging.host, now=AFTER_THE_CLOSE, reason="Illness.")
        with pytest.raises(PanelRefused, match="has left the panel already"):
            drop_out(judge, actor=judging.host, now=AFTER_THE_CLOSE, reason="Illness.")
        assert Decision.objects.filter(action="judge dropped out").count() == 1

    def test_a_reason_is_asked_for(self, judging):
        with pytest.raises(PanelRefused, match="reason"):
            drop_out(judging.judges[0], actor=judging.host, now=AFTER_THE_CLOSE, reason=" ")


class TestPages:
    def test_a_judge_names_somebody_and_only_for_the_own_seat(self, client, judging):
        judge = judging.judges[0]
        address = f"/contests/judging/conflicts/{judging.contest.slug}/"
        assert client.get(address).status_code == 302
        client.force_login(judging.entries[0].member)
        assert client.get(address).status_code == 404
        client.force_login(judge.member)
        assert address in client.get("/contests/judging/").content.decode()
        assert client.post(address, {"email": "not an address"}).status_code == 422
        assert client.post(address, {"email": "cousin@example.org"}).status_code == 302
        assert "cousin@example.org" in client.get(address).content.decode()

    def test_the_answer_is_the_same_whether_the_person_entered(self, client, judging):
        hearing = judging.round.assignments.filter(judge=judging.judges[0]).first()
        address = f"/contests/judging/conflicts/{judging.contest.slug}/"
        client.force_login(judging.judges[0].member)
        answers = [
            client.post(address, {"email": email}, follow=True).content.decode()
            for email in ("cousin@example.org", hearing.entry.member.email)
        ]
        said = [page.split("<main")[0].count("It is taken down") for page in answers]
        assert said == [1, 1]

    def test_the_host_lets_a_judge_go_and_finds_others(self, client, judging):
        judge = judging.judges[0]
        client.force_login(judging.host)
        page = f"/contests/hosting/{judging.contest.slug}/panel/{judge.pk}/"
        assert "Drops out" in client.get(page).content.decode()
        assert client.post(page + "drop-out/", {"reason": ""}).status_code == 422
        assert client.post(page + "drop-out/", {"reason": "Illness."}).status_code == 302
        assert "Dropped out" in client.get(page).content.decode()

    def test_the_desk_says_what_fell_away(self, client, judging):
        hearing = judging.round.assignments.first()
        declare(hearing.judge, hearing.entry.member.email)
        client.force_login(judging.host)
        desk = f"/contests/hosting/{judging.contest.slug}/"
        assert "1 hearing has no judge any more." in client.get(desk).content.decode()
        assert client.post(desk + "do/fill-up/").status_code == 302
        assert "no judge any more" not in client.get(desk).content.decode()

    def test_nobody_else_opens_the_hosts_pages(self, client, judging):
        page = f"/contests/hosting/{judging.contest.slug}/panel/{judging.judges[0].pk}/"
        client.force_login(judging.judges[0].member)
        assert client.get(page).status_code == 404
        assert client.post(page + "conflict/", {"email": "a@example.org"}).status_code == 404
        assert client.post(page + "drop-out/", {"reason": "x"}).status_code == 404


def test_a_seat_of_another_contest_is_not_found(client):
    stage = stages.entered()
    client.force_login(stage.host)
    other = cast.judge(cast.contest(), "Vala Prior")
    assert client.get(f"/contests/hosting/{stage.contest.slug}/panel/{other.pk}/").status_code == 404
