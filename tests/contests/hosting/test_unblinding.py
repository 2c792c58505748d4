"""Looking who is who leaves a line in the log, each time."""

from __future__ import annotations

import pytest

from contests.hosting import unblinding
from contests.hosting.refusals import HostingRefused
from tests import cast
from tests.contests import stages
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db


@pytest.fixture
def stage():
    return stages.closed(entrants=["Ansa Merrow", "Bero Lund"])


class TestShowNames:
    def test_it_is_recorded_with_its_reason(self, stage):
        unblinding.show_names(
            stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="A relative of mine?"
        )
        line = stage.contest.decisions.last()
        assert (line.action, line.actor, line.reason) == ("names shown", stage.host, "A relative of mine?")

    def test_without_a_reason_it_is_refused(self, stage):
        lines = stage.contest.decisions.count()
        with pytest.raises(HostingRefused, match="Say why"):
            unblinding.show_names(stage.contest.pk, actor=cast.host(), now=AFTER_THE_CLOSE, reason="")
        assert stage.contest.decisions.count() == lines
