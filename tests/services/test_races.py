"""Of many that want the same thing at the same moment one gets it: on SQLite in a file and on PostgreSQL."""

from __future__ import annotations

import pytest

from tests.services.site import Site

POSTGRES = pytest.param("on_postgres", marks=pytest.mark.needs("postgres"))
BOTH = pytest.mark.parametrize("site", ["make_site", POSTGRES], indirect=True)


@pytest.fixture
def site(request: pytest.FixtureRequest) -> Site:
    """A site on the database that the test's parameter names."""
    made: Site = request.getfixturevalue(request.param)()
    return made


@BOTH
class TestClaiming:
    def test_each_job_goes_to_one_of_eight_processes(self, site):
        won = site.play("race_for_jobs", processes=8, jobs=40)
        taken = [job for each in won for job in each]
        assert len(taken) == len(set(taken)) == 40
        assert sum(bool(each) for each in won) > 1, "no race: one process had them all"

    def test_asking_from_eight_connections_is_one_job(self, site):
        assert site.play("request_in_race", threads=8) == 1


@BOTH
class TestEntering:
    def test_of_one_members_files_at_the_same_moment_one_is_taken(self, site):
        people = site.play("open_contest")
        outcome = site.play(
            "enter_twice_at_once", contest=people["contest"], entrant=people["entrant"], times=4
        )
        assert outcome == {"entries": 1, "refused": 3, "files_kept": 1}

    def test_no_entry_comes_after_the_close(self, site):
        for _ in range(5):
            people = site.play("open_contest")
            outcome = site.play(
                "close_while_entering", contest=people["contest"], host=people["host"], entrants=6
            )
            assert outcome["state"] == "closed"
            assert outcome["in_the_end"] == outcome["at_close"]
            assert len(outcome["in_the_end"]) + outcome["refused"] == 6


@BOTH
class TestLeaving:
    def test_of_the_last_hosts_who_leave_at_once_one_stays(self, site):
        assert site.play("leave_at_once", hosts=6) == {"stay": 1, "refused": 1}


@BOTH
class TestPublishing:
    def test_a_result_is_published_once_whoever_asks(self, site):
        outcome = site.play("publish_at_once", **site.play("decided_contest"), times=6)
        assert outcome == {"published": 1, "asked": 6, "lines": 1, "winners_told": 1}

    def test_one_turn_is_one_prize(self, site):
        outcome = site.play("choose_at_once", **site.play("decided_contest"), times=6)
        assert outcome == {"chosen": 1, "refused": 5, "turns": ["asked", "chosen"]}

    def test_addresses_go_in_their_time(self, site):
        assert site.play("erase_addresses", **site.play("decided_contest")) == [0, 1, 0]


@BOTH
class TestJudging:
    def test_further_hearings_come_in_between_while_judges_write(self, site):
        for _ in range(4):
            outcome = site.play("hear_again_while_judging")
            assert outcome == {"is_whole": True, "is_kept": True, "is_heard_again": True}


@BOTH
class TestVoting:
    def test_a_ballot_asked_for_in_many_windows_is_one_and_all_mixes_are_shown_alike(self, site):
        outcome = site.play("draw_at_once", times=3, voters=7)
        # Seven packets of five from seven mixes: five each.
        assert outcome == {"ballots": 7, "told": [1] * 7, "shown": [5] * 7}

    def test_a_ballot_is_sealed_once_and_as_it_was_seen(self, site):
        outcome = site.play("submit_at_once", times=4)
        if outcome["is_sealed"]:  # one seals; the others and the move come too late
            assert outcome == {"refused": 4, "is_sealed": True, "as_seen": True}
        else:  # the move came first, so no window seals an order that it does not show
            assert outcome == {"refused": 4, "is_sealed": False, "as_seen": False}


@pytest.mark.needs("postgres")
@pytest.mark.parametrize("site", ["on_postgres"], indirect=True)
class TestEnteringAgainstClosing:
    """Both orders, made certain by a transaction that is held open."""

    def test_an_upload_during_the_close_waits_for_it_and_is_refused(self, site):
        outcome = site.play("enter_after_lock", **site.play("open_contest"))
        assert outcome["waited"]
        assert "not taking entries" in outcome["refusal"]
        assert outcome["entries"] == 0

    def test_a_close_during_an_upload_waits_for_it_and_the_entry_is_in(self, site):
        outcome = site.play("close_after_lock", **site.play("open_contest"))
        assert outcome == {"waited": True, "refusal": None, "entries": 1, "state": "closed"}


@pytest.mark.needs("postgres")
@pytest.mark.parametrize("site", ["on_postgres"], indirect=True)
class TestTakingTurns:
    """Locks go in one order: contest, judge, round, hearing. In two orders PostgreSQL stops one act."""

    def test_a_host_waits_for_whoever_has_the_contest(self, site):
        for act in ("fill_up", "hear_again", "drop_out", "choose_anchors"):
            outcome = site.play("a_host_takes_turns", act=act)
            assert (act, outcome) == (act, {"waited": True, "refusal": ""})

    def test_what_a_judge_has_begun_comes_first(self, site):
        """A draft comes after all sheets that are being submitted, dropping out after what was heard."""
        draft = site.play("a_judge_takes_turns", act="save_beside_submitting_all")
        assert draft["waited"]
        assert "submitted and sealed" in draft["refusal"]
        for act in ("submit_beside_hearing", "drop_out_beside_hearing"):
            outcome = site.play("a_judge_takes_turns", act=act)
            assert (act, outcome) == (act, {"waited": True, "refusal": ""})

    def test_a_further_hearing_does_not_wait_for_what_is_being_told(self, site):
        assert site.play("further_hearings_while_hearing") == {"hearings": 4, "sessions": 1}

    def test_a_judges_booth_and_the_judge_do_not_wait_for_each_other(self, site):
        """Hearings of one judge are locked by their keys; in the session they stand as they were told."""
        for act, state in (("submit_all", "submitted"), ("stand_aside", "stood_aside")):
            outcome = site.play("two_of_a_judges_acts_at_once", act=act)
            assert (act, outcome) == (
                act,
                {"refused": [], "states": [state] * 2, "heard_s": [5.0] * 2, "in_session": [2, 1]},
            )

    def test_who_leaves_waits_for_a_host_who_is_deciding_and_not_the_host_for_them(self, site):
        outcome = site.play("leave_while_a_host_decides")
        assert outcome == {"waited": True, "refusal": "", "entries": ["withdrawn"]}

    def test_a_judge_who_leaves_waits_for_a_host_who_gives_hearings_out_and_finds_them(self, site):
        outcome = site.play("leave_while_hearings_are_given_out")
        assert outcome["waited"]
        assert "LeavingRefused" in outcome["refusal"]
        assert (outcome["has_left"], outcome["given"]) == (False, 2)

    def test_a_version_that_is_deleted_while_another_is_removed_goes_too(self, site):
        outcome = site.play("delete_while_removing")
        assert outcome == {"waited": True, "refusal": "", "versions": 0, "files": 0}

    def test_no_seat_is_taken_away_while_its_round_opens(self, site):
        outcome = site.play("unseat_while_opening")
        assert outcome["waited"]
        assert "which has opened" in outcome["refusal"]
        assert (outcome["judges"], outcome["hearings"]) == (3, 2)
