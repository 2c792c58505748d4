"""Delete a version at its member's wish; share one by a link, and withdraw the link."""

from __future__ import annotations

import secrets

from django.db import transaction

from academy.practice import booths, discarding
from academy.practice.models import FeedbackRequest, MixState, Practice, PracticeMix


@transaction.atomic
def delete_mix(mix: PracticeMix) -> None:
    """Take a version out of sight at once, and have its audio, copies, report and notes removed."""
    # The jobs that settle versions and make sets take this row too.
    practice = Practice.objects.select_for_update().get(pk=mix.practice_id)
    PracticeMix.objects.filter(pk=mix.pk).update(state=MixState.DELETED, share_code=None)
    # That the member asked still counts for the year; what was asked goes with the version.
    FeedbackRequest.objects.filter(mix=mix).update(question="")
    booths.renew_booth(practice)
    discarding.request_removal(practice)


@transaction.atomic
def share(mix: PracticeMix) -> str:
    """The code of a link under which anybody may hear the version; the same when asked again."""
    practice = Practice.objects.select_for_update().get(pk=mix.practice_id)
    PracticeMix.objects.filter(pk=mix.pk, share_code=None).update(share_code=secrets.token_hex(16))
    mix.refresh_from_db(fields=["share_code"])
    assert mix.share_code is not None
    if not booths.holds(practice, mix):  # an old version has no copy until it is shared
        booths.renew_booth(practice)
    return mix.share_code


def withdraw_share(mix: PracticeMix) -> None:
    """The link leads nowhere from now on. Sharing again makes another one."""
    PracticeMix.objects.filter(pk=mix.pk).update(share_code=None)
