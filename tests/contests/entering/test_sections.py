"""The entrant's line on the own page."""

from __future__ import annotations

from contests.entering.sections import own_entries
from tests.contests.entering.conftest import Send


class TestOwnEntries:
    def test_it_is_there_for_entrants_only(self, send: Send) -> None:
        entry = send()
        (section,) = own_entries(entry.member)
        assert section.address == "/contests/entries/"

    def test_it_is_not_there_for_others(self, stranger: object, entrant: object) -> None:
        assert own_entries(entrant) == []  # type: ignore[arg-type]
