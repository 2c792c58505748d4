"""The one door through which a judge's booth gets a copy, segment by segment."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from analysis.listening import segments
from analysis.listening.models import ListeningCopy
from contests.judging import access


@require_safe
def hear(request: HttpRequest, code: str, index: int) -> HttpResponseBase:
    """One segment of the copy under a code: this judge's own, while the round is open to the judges."""
    hearing = access.hearing_to_play(request.user, code)
    copy = get_object_or_404(
        ListeningCopy, plan=hearing.round.plan_id, recording=hearing.entry.recording_id, number=hearing.repeat
    )
    response = segments.hand_out(request, copy, index, seat_key=code)
    response["Referrer-Policy"] = "no-referrer"
    return response
