"""What the desk's page is given."""

from __future__ import annotations

from typing import Any

from django.conf import settings

from academy.members.access import Person
from academy.packs.hosting import queries
from academy.packs.hosting.forms import PublishForm
from academy.packs.models import StemPack


def context(pack: StemPack, person: Person, *, refusal: str = "") -> dict[str, Any]:
    """The pack, what lies on its desk, and the one sentence about what was refused."""
    return {
        "pack": pack,
        "desk": queries.desk_of(pack),
        "refusal": refusal,
        "publish_form": PublishForm(),
        "largest_bytes": settings.LARGEST_UPLOAD_BYTES,
        "upload_scope": f"{person.pk}:pack {pack.pk}",
    }
