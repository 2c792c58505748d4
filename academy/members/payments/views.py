"""The one address where signed events arrive."""

from __future__ import annotations

import logging

from django.conf import settings
from django.http import Http404, HttpRequest, JsonResponse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from academy.members.payments import applying, events, signatures

LARGEST_BYTES = 64 * 1024

logger = logging.getLogger(__name__)


# No cookie counts here: the signature is what a stranger cannot make.
@csrf_exempt
@require_POST
@never_cache
def receive(request: HttpRequest) -> JsonResponse:
    """Take one event. What was taken, or need not be, is answered with 200, so that nobody sends it again.

    400 malformed, 401 not signed by us, 413 too large, 422 unknown tier; 404 while no secret is set.
    """
    if not settings.MEMBERSHIP_SECRETS:
        raise Http404
    body = _body(request)
    if body is None:
        return _refusal(413, "too_large", f"The body may have {LARGEST_BYTES} bytes at most.")
    now = timezone.now()
    header = request.headers.get(signatures.HEADER, "")
    try:
        signatures.check(header, body, secrets=settings.MEMBERSHIP_SECRETS, now=now)
    except signatures.SignatureRefused as exc:
        return _refusal(401, "not_signed", str(exc))
    try:
        event = events.event_of(body)
        outcome = applying.apply(event, now=now)
    except events.EventRefused as exc:
        return _refusal(400 if exc.code == "malformed" else 422, exc.code, str(exc))
    logger.info("payment event %s: %s", event.id, outcome)  # the id and never the body
    return JsonResponse({"id": event.id, "outcome": outcome})


def _body(request: HttpRequest) -> bytes | None:
    """The raw body; None when it is larger than allowed, whatever length it announces."""
    announced = request.META.get("CONTENT_LENGTH") or "0"
    if announced.isdecimal() and int(announced) > LARGEST_BYTES:
        return None
    body = request.read(LARGEST_BYTES + 1)
    return body if len(body) <= LARGEST_BYTES else None


def _refusal(status: int, code: str, message: str) -> JsonResponse:
    return JsonResponse({"error": {"code": code, "message": message}}, status=status)
