"""What the booth on a page is given: the set, its seats, and nothing else."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.urls import reverse

from analysis.listening.models import CopyState, ListeningCopy, MatchPlan
from analysis.listening.noise import address_of_level
from analysis.listening.reference_levels import monitor_level_dbc


@dataclass(frozen=True)
class Seat:
    """One copy as the page may know it. A blind seat has no name; its key and address say nothing.

    `exaggerated` marks a variant that goes further than anybody would, for the ear to learn where to listen.
    """

    copy: ListeningCopy
    key: str
    label: str
    segments_url: str  # a segment's address is this and its number
    name: str | None = None
    exaggerated: bool = False


@dataclass(frozen=True)
class Section:
    """A named place to jump to."""

    name: str
    start_s: float


def booth_set(plan: MatchPlan, seats: Iterable[Seat], sections: Sequence[Section] = ()) -> dict[str, Any]:
    """The page's data, for `json_script`. Seats whose copy is not ready are left out.

    A copy has a `map` only where the plan lets the page draw one: eyes sway ears. `noise_url` is None at a
    level for which there is no noise.
    """
    noise_level = address_of_level(plan.level_lufs)
    ready = [seat for seat in seats if seat.copy.state == CopyState.READY]
    return {
        "rate_hz": plan.rate_hz,
        "frames": plan.frames,
        "segment_frames": plan.segment_frames,
        "level_lufs": plan.level_lufs,
        "monitor_dbc": None if plan.level_lufs is None else monitor_level_dbc(plan.level_lufs),
        "noise_url": reverse("listening:noise", args=[noise_level]) if noise_level else None,
        "rest_after_min": settings.BOOTH_REST_AFTER_MIN,
        "copies": [_copy_of(seat, shows_map=plan.shows_map) for seat in ready],
        "sections": [{"name": section.name, "start_s": section.start_s} for section in sections],
    }


def _copy_of(seat: Seat, *, shows_map: bool) -> dict[str, Any]:
    copy: dict[str, Any] = {
        "key": seat.key,
        "label": seat.label,
        "name": seat.name,
        "segments_url": seat.segments_url,
    }
    if seat.exaggerated:
        copy["exaggerated"] = True
    if shows_map and seat.copy.outline:
        copy["map"] = base64.b64encode(seat.copy.outline).decode("ascii")
    return copy
