"""What tests ask of a site from inside: each scene is plain values in, plain values out.

A scene is a public function of one of the files below, named by itself alone; `props` and `racing` hold what
they share. They import the site's models, so Django has to be set up before this room is entered.
"""

from __future__ import annotations

from collections.abc import Callable
from inspect import getmembers, isfunction
from typing import Any

from tests.services.scenes import (
    closing,
    entering,
    jobs,
    judging,
    members,
    packs,
    practice,
    results,
    storage,
    upkeep,
    voting,
)

SUBJECTS = (closing, entering, jobs, judging, members, packs, practice, results, storage, upkeep, voting)


def by_name() -> dict[str, Callable[..., Any]]:
    """Every scene by its name. A name that two files gave is refused: a test could mean either."""
    found: dict[str, Callable[..., Any]] = {}
    for subject in SUBJECTS:
        for name, scene in getmembers(subject, isfunction):
            if scene.__module__ != subject.__name__ or name.startswith("_"):
                continue
            if name in found:
                raise ValueError(f"{found[name].__module__} and {subject.__name__} both have {name}")
            found[name] = scene
    return found
