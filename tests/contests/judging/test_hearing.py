"""The door through which a booth gets its segments."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from academy.members.models import Member
from analysis.intake import keeping
from analysis.listening.models import CopyState, ListeningCopy
from analysis.listening.segments import segment_key
from contests.judging import sheets
from contests.models import Assignment, Round
from contests.states import HearingState, RoundState
from tests import cast
from tests.contests.judging.conftest import Stage

SignIn = Callable[[Member], Client]


@pytest.fixture
def hearing(playing: Stage) -> Assignment:
    """The first judge's first hearing."""
    return playing.hearings(playing.judges[0])[0]


def segment(hearing: Assignment, index: int = 0) -> str:
    return reverse("contests:hear", args=[hearing.code, index])


class TestHear:
    def test_the_judge_hears_the_copy_of_that_entry(
        self, playing: Stage, hearing: Assignment, sign_in: SignIn
    ) -> None:
        answer = sign_in(playing.judges[0].member).get(segment(hearing))
        copy = playing.round.plan.copies.get(recording=hearing.entry.recording)
        with keeping.opened(segment_key(copy, 0)) as kept:
            assert b"".join(answer.streaming_content) == kept.read()

    def test_ranges_are_honoured(self, playing: Stage, hearing: Assignment, sign_in: SignIn) -> None:
        # RFC 9110, clause 14.
        answer = sign_in(playing.judges[0].member).get(segment(hearing), HTTP_RANGE="bytes=0-3")
        assert answer.status_code == 206
        assert b"".join(answer.streaming_content) == b"fLaC"

    @pytest.mark.parametrize("index", [1, 2, 99999])
    def test_there_is_nothing_after_the_last(
        self, playing: Stage, hearing: Assignment, sign_in: SignIn, index: int
    ) -> None:
        assert sign_in(playing.judges[0].member).get(segment(hearing, index)).status_code == 404

    @pytest.mark.parametrize("state", [RoundState.PREPARING, RoundState.CLOSED])
    def test_only_while_the_round_is_open(
        self, playing: Stage, hearing: Assignment, sign_in: SignIn, state: RoundState
    ) -> None:
        client = sign_in(playing.judges[0].member)
        assert client.get(segment(hearing)).status_code == 200
        Round.objects.update(state=state)
        assert client.get(segment(hearing)).status_code == 404

    def test_a_mix_that_the_judge_stood_aside_from_is_heard_no_more(
        self, playing: Stage, hearing: Assignment, sign_in: SignIn
    ) -> None:
        client = sign_in(playing.judges[0].member)
        assert client.get(segment(hearing)).status_code == 200
        sheets.stand_aside(hearing)
        assert client.get(segment(hearing)).status_code == 404

    @pytest.mark.parametrize("state", [CopyState.WAITING, CopyState.REFUSED])
    def test_a_copy_that_is_not_ready_is_not_there(
        self, playing: Stage, hearing: Assignment, sign_in: SignIn, state: CopyState
    ) -> None:
        ListeningCopy.objects.update(state=state)
        assert sign_in(playing.judges[0].member).get(segment(hearing)).status_code == 404

    @pytest.mark.parametrize("who", ["another judge", "entrant", "host", "stranger", "nobody"])
    def test_others_hear_nothing(
        self, playing: Stage, hearing: Assignment, sign_in: SignIn, client: Client, who: str
    ) -> None:
        people = {
            "another judge": lambda: playing.judges[1].member,
            "entrant": lambda: hearing.entry.member,
            "host": cast.host,
            "stranger": cast.member,
        }
        client = client if who == "nobody" else sign_in(people[who]())
        assert client.get(segment(hearing)).status_code == 404

    def test_the_wrong_method_is_refused(self, playing: Stage, hearing: Assignment, sign_in: SignIn) -> None:
        assert sign_in(playing.judges[0].member).post(segment(hearing)).status_code == 405

    def test_what_the_judge_left_is_not_in_the_booth(
        self, playing: Stage, hearing: Assignment, sign_in: SignIn
    ) -> None:
        Assignment.objects.filter(pk=hearing.pk).update(state=HearingState.STOOD_ASIDE)
        desk = reverse("contests:desk", args=[playing.contest.slug, 1])
        booth = sign_in(playing.judges[0].member).get(desk).context["desk"].booth_set
        assert [copy["label"] for copy in booth["copies"]] == ["B", "C"]
