"""The same site on PostgreSQL: every migration, and a job done by a worker on the two servers together."""

from __future__ import annotations

import pytest

from tests.services.programs import wait_until

pytestmark = pytest.mark.needs("postgres")


class TestMigrations:
    def test_they_all_apply_and_nothing_is_missing(self, on_postgres):
        site = on_postgres()
        assert site.manage("migrate", "--check").returncode == 0
        assert site.manage("makemigrations", "--check", "--dry-run").returncode == 0

    def test_the_tables_hold_what_the_models_say(self, on_postgres):
        assert on_postgres().play("tables_missing") == []

    def test_serving_an_older_database_says_what_to_do(self, make_site, postgres):
        postgres.create("empty")
        site = make_site(DATABASE_URL=postgres.url("empty"))
        refused = site.manage("serve", "--port", "0")
        assert refused.returncode == 1
        assert "Run `manage.py migrate` once" in refused.stderr
        assert "Traceback" not in refused.stderr


@pytest.mark.needs("redis-server")
def test_an_entry_is_checked_by_a_worker_on_postgresql_and_redis(on_postgres, redis, write_noise):
    site = on_postgres(REDIS_URL=redis.url)
    people = site.play("open_contest")
    with site.worker():
        entry = site.play(
            "enter", contest=people["contest"], entrant=people["entrant"], file=write_noise(seconds=2)
        )["entry"]
        wait_until(
            lambda: site.play("standing_of", entry=entry)["entry"] == "ready", seconds=60, what="it is ready"
        )
    assert site.play("standing_of", entry=entry)["attempt"] == 1
