"""Build the whole demo, once."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from django.conf import settings
from django.core.management import call_command
from django.db import connection, connections

from contests.demo import lessons, packs, people, practising, sheets, teaching, working
from contests.demo.competitions import Cast, make_contests
from contests.demo.rendering import DemoAudio, render_all
from fixtures.scenario import SCENARIO

Say = Callable[[str], object]


class NotOurs(Exception):
    """The data here are not the demo's, or not on this machine; they are left alone."""


def build(say: Say, *, now: datetime, fresh: bool = False) -> bool:
    """Make the demo's data in DATA_DIR. False when they are there already.

    An interrupted build starts over, but keeps what was rendered. Raises NotOurs for a site that is in use.
    """
    folder = settings.DATA_DIR / "demo"
    finished, begun = folder / "finished", folder / "begun"
    if connection.vendor != "sqlite":
        raise NotOurs("The demo makes its own embedded database. Unset DATABASE_URL, or set DATA_DIR anew.")
    if finished.exists() and not fresh:
        return False
    if finished.exists() or begun.exists():
        say("Removing the earlier demo's database, recordings and queue …")
        _remove_site_data()
    elif _database_file().exists() and _database_file().stat().st_size:
        raise NotOurs(
            f"{settings.DATA_DIR} holds a site that the demo did not make; it is left alone. "
            "Set DATA_DIR to another folder to try the demo."
        )
    folder.mkdir(parents=True, exist_ok=True)
    finished.unlink(missing_ok=True)
    begun.touch()
    call_command("migrate", verbosity=0, interactive=False)
    audio = render_all(folder / "audio", say)
    with working.Crew() as crew:
        _populate(audio, crew, say, now=now)
    _take_the_bells_away()  # every job is done; their bells would only keep the first worker busy
    begun.rename(finished)
    return True


def _populate(audio: DemoAudio, crew: working.Crew, say: Say, *, now: datetime) -> None:
    say("Letting in the people of the invented school …")
    tiers = people.make_tiers()
    members = people.make_people(tiers, now=now)
    host = members[SCENARIO.host.key]
    people.make_invitation(tiers, host=host, now=now)
    say("Publishing the stems and the course; measuring and matching …")
    pack = teaching.make_pack(audio, tiers, host=host, now=now)
    packs.make_draft(audio, host=host, now=now)
    course = teaching.make_course(audio, pack, tiers, host=host, now=now)
    sheets.make_sheets(pack, host=host, now=now)
    lessons.fill_lessons(course, audio, now=now)
    lessons.follow_lessons(course, members["moorhen"], now=now)
    crew.do_all()
    practising.make_practice(audio, pack, tiers, members, crew, now=now)
    say("Running three contests; measuring and matching every entry …")
    make_contests(Cast(audio=audio, people=members, tiers=tiers, pack=pack, crew=crew, now=now))


def _database_file() -> Path:
    return Path(connection.settings_dict["NAME"])


def _remove_site_data() -> None:
    connections.close_all()
    for suffix in ("", "-wal", "-shm"):
        _database_file().with_name(_database_file().name + suffix).unlink(missing_ok=True)
    for name in ("recordings", "incoming"):
        shutil.rmtree(settings.DATA_DIR / name, ignore_errors=True)
    settings.INCOMING_DIR.mkdir()
    _take_the_bells_away()


def _take_the_bells_away() -> None:
    for bell in (settings.DATA_DIR / "broker").rglob("*.msg"):
        bell.unlink()
