"""What the booth on a page is given: the set, its seats, and nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.urls import reverse

from analysis.listening.models import CopyState, ListeningCopy, MatchPlan


@dataclass(frozen=True)
class Seat:
    """One copy as the page may know it. A blind seat has no name; its key and address say nothing."""

    copy: ListeningCopy
    key: str
    label: str
    segments_url: str  # a segment's address is this and its number
    name: str | None = None


@dataclass(frozen=True)
class Section:
    """A named place to jump to."""

    name: str
    start_s: float


def booth_set(plan: MatchPlan, seats: Iterable[Seat], sections: Sequence[Section] = ()) -> dict[str, Any]:
    """The page's data, for `json_script`. Seats whose copy is not ready are left out."""
    return {
        "rate_hz": plan.rate_hz,
        "frames": plan.frames,
        "segment_frames": plan.segment_frames,
        "level_lufs": plan.level_lufs,
        "noise_url": reverse("listening:noise", args=[f"{plan.level_lufs:.1f}"]),
        "copies": [
            {"key": seat.key, "label": seat.label, "name": seat.name, "segments_url": seat.segments_url}
            for seat in seats
            if seat.copy.state == CopyState.READY
        ],
        "sections": [{"name": section.name, "start_s": section.start_s} for section in sections],
    }
