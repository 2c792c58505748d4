"""The demo's contest that is being judged, up to the moment at which its judges are let in.

Only what it leans on is built beside it: the people, their tiers and the stem pack. As a program, this builds
it into DATA_DIR from the folder that the song was rendered into: `python -m tests.demo_site AUDIO`.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import django

from fixtures.scenario import SCENARIO
from tests.services.site import ROOT, Site

CONTEST = next(contest for contest in SCENARIO.contests if contest.stage == "judging")


def build(folder: Path, audio: Path) -> None:
    """Build it in a process of its own, so that its workers find the same settings and database."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.demo_site", str(audio)],
        cwd=ROOT,
        env=Site(folder).environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def copy_of(site: Path, to: Path) -> Path:
    """A copy of a site's folder to do things with; recordings never change, so both have the same ones."""
    shutil.copytree(site, to, ignore=lambda _, names: {"recordings"} & set(names))
    shutil.copytree(site / "recordings", to / "recordings", copy_function=os.link)
    return to


def main(audio: Path) -> None:
    """Build it by the demo's own services, at the present moment."""
    django.setup()
    from django.core.management import call_command
    from django.utils import timezone

    from contests.demo import competitions, people, teaching
    from contests.demo.rendering import DemoAudio
    from contests.demo.working import Crew

    call_command("migrate", verbosity=0, interactive=False)
    now, rendered = timezone.now(), DemoAudio(audio)
    tiers = people.make_tiers()
    members = people.make_people(tiers, now=now)
    pack = teaching.make_pack(rendered, tiers, host=members[SCENARIO.host.key], now=now)
    with Crew() as crew:
        cast = competitions.Cast(audio=rendered, people=members, tiers=tiers, pack=pack, crew=crew, now=now)
        competitions.let_judges_in(cast, CONTEST)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
