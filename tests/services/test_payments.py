"""Payment events and codes that come at the same moment: on SQLite in a file and on PostgreSQL."""

from __future__ import annotations

import pytest

POSTGRES = pytest.param("on_postgres", marks=pytest.mark.needs("postgres"))
SECRET = "a secret of forty characters and no fewer"


@pytest.mark.parametrize("make", ["make_site", POSTGRES])
def test_of_many_at_the_same_moment_each_counts_once(request, make):
    """One site for all of it: its processes are what takes long."""
    site = request.getfixturevalue(make)(MEMBERSHIP_SECRETS=SECRET)
    once = {"members": 1, "events": 1, "in_force": 1, "invited": 1}

    one_event_eight_times = site.play("pay_at_once", stranger="a@example.org", events=1, times=8)
    assert one_event_eight_times == once | {"said": ["granted"] + ["replayed"] * 7}

    eight_renewals = site.play("pay_at_once", stranger="b@example.org", events=8, times=1)
    assert set(eight_renewals.pop("said")) <= {"granted", "late"}
    assert eight_renewals == once | {"events": 8}

    two_tiers = site.play("pay_at_once", stranger="c@example.org", events=2, times=1, tiers=2)
    assert two_tiers == once | {"events": 2, "in_force": 2, "said": ["granted"] * 2}

    assert site.play("redeem_at_once", people=6, uses=2) == {"given": 2, "refused": 4, "uses": 2}
