"""A clock on the wall means one moment, or none, or two; the last two are refused."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo, available_timezones

import pytest

from academy.moments import NoSuchMoment, in_zone, on_the_wall, start_of_day

LISBON = ZoneInfo("Europe/Lisbon")
at = datetime.fromisoformat

# Directive 2000/84/EC, articles 2 and 3: summer time begins at 01:00 GMT on the last Sunday of March and ends
# at 01:00 GMT on the last Sunday of October. In 2031 these are 30 March and 26 October.


class TestInZone:
    @pytest.mark.parametrize(
        ("wall", "moment"),
        [
            (at("2031-03-30T00:59"), datetime(2031, 3, 30, 0, 59, tzinfo=UTC)),
            (at("2031-03-30T02:00"), datetime(2031, 3, 30, 1, 0, tzinfo=UTC)),
            (at("2031-10-26T00:59"), datetime(2031, 10, 25, 23, 59, tzinfo=UTC)),
            (at("2031-10-26T02:00"), datetime(2031, 10, 26, 2, 0, tzinfo=UTC)),
        ],
    )
    def test_it_minds_both_changes_of_clocks(self, wall, moment):
        assert in_zone(wall, LISBON) == moment

    @pytest.mark.parametrize("minute", [0, 30, 59])
    def test_an_hour_that_is_skipped_is_refused(self, minute):
        with pytest.raises(NoSuchMoment, match="never show 01:"):
            in_zone(at(f"2031-03-30T01:{minute:02}"), LISBON)

    @pytest.mark.parametrize("minute", [0, 30, 59])
    def test_an_hour_that_comes_twice_is_refused(self, minute):
        with pytest.raises(NoSuchMoment, match="twice on 2031-10-26"):
            in_zone(at(f"2031-10-26T01:{minute:02}"), LISBON)

    def test_half_an_hour_is_minded_too(self):
        # Lord Howe Island moves by half an hour; the zone database says so, and no hour is skipped there.
        zone = ZoneInfo("Australia/Lord_Howe")
        with pytest.raises(NoSuchMoment, match="02:15"):
            in_zone(at("2030-10-06T02:15"), zone)
        assert in_zone(at("2030-10-06T02:30"), zone) == datetime(2030, 10, 5, 15, 30, tzinfo=UTC)

    def test_there_and_back_in_every_zone(self):
        wall = at("2031-01-15T18:45")
        for name in available_timezones():
            zone = ZoneInfo(name)
            assert on_the_wall(in_zone(wall, zone), zone) == wall, name


class TestStartOfDay:
    # The Azores are an hour behind GMT in winter, so that both changes fall on a midnight there.
    @pytest.mark.parametrize(
        ("day", "moment"),
        [
            (date(2031, 3, 29), datetime(2031, 3, 29, 1, tzinfo=UTC)),
            (date(2031, 3, 30), datetime(2031, 3, 30, 1, tzinfo=UTC)),  # 00:00 to 00:59 are never shown
            (date(2031, 3, 31), datetime(2031, 3, 31, 0, tzinfo=UTC)),
            (date(2031, 10, 26), datetime(2031, 10, 26, 0, tzinfo=UTC)),  # 00:00 is shown twice
            (date(2031, 10, 27), datetime(2031, 10, 27, 1, tzinfo=UTC)),
        ],
    )
    def test_it_is_the_first_moment_that_clocks_show_of_the_day(self, day, moment):
        assert start_of_day(day, ZoneInfo("Atlantic/Azores")) == moment
