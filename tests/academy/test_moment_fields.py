"""A moment typed as clocks on the wall show it. Changes of clocks: IANA time zone database, Europe/Lisbon."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from django import forms

from academy.moment_fields import WallField

LISBON = ZoneInfo("Europe/Lisbon")


class TestWallField:
    def test_what_is_typed_is_meant_by_the_zone(self):
        assert WallField(zone=LISBON).clean("2031-07-01T18:00") == datetime(2031, 7, 1, 17, 0, tzinfo=UTC)

    def test_without_a_zone_it_is_the_sites(self, settings):
        settings.SITE_ZONE = "Europe/Lisbon"
        assert WallField().clean("2031-07-01T18:00") == datetime(2031, 7, 1, 17, 0, tzinfo=UTC)

    @pytest.mark.parametrize(
        ("typed", "words"),
        [
            ("2031-03-30T01:30", "never show"),
            ("2031-10-26T01:30", "twice"),
            ("tomorrow", "2031-03-30T18:00"),
            ("2031-07-01", "2031-03-30T18:00"),  # a day alone is no moment: its first or its last?
            ("2031-07-01T18:00+05:00", "2031-03-30T18:00"),  # two clocks at once
            ("2031-07-01T18:00Z", "2031-03-30T18:00"),
            ("0001-01-01T00:00", "between 1970 and 2999"),
            ("9999-12-31T23:59", "between 1970 and 2999"),
        ],
    )
    def test_what_nobody_could_place_is_refused(self, typed, words):
        with pytest.raises(forms.ValidationError, match=words):
            WallField(zone=LISBON).clean(typed)

    def test_it_is_filled_in_as_the_clocks_show_it(self):
        field = WallField(zone=LISBON)
        shown = field.prepare_value(datetime(2031, 7, 1, 17, 0, tzinfo=UTC))
        assert shown.isoformat() == "2031-07-01T18:00:00"
        assert field.prepare_value("half past") == "half past"

    def test_the_same_moment_is_no_change(self):
        assert not WallField(zone=LISBON).has_changed(
            datetime(2031, 7, 1, 17, 0, tzinfo=UTC), "2031-07-01T18:00"
        )

    def test_empty_is_none_where_it_may_be(self):
        assert WallField(required=False).clean("") is None
