"""The slow work of this room."""

from __future__ import annotations

from academy.packs import auditing, building, mending, previewing, publishing, unpacking
from academy.packs.models import PublishedStem
from analysis.jobs.claiming import Claim
from analysis.jobs.kinds import does
from analysis.measuring.measuring import measurement_of


@does(building.BUILD_PACK)
def build_pack(claim: Claim) -> None:
    """Build an archive of a version."""
    building.build_pack(claim)


@does(publishing.MEASURE_STEM)
def measure_stem(claim: Claim) -> None:
    """Measure one stem, for the table on the pack's page."""
    measurement_of(PublishedStem.objects.select_related("recording").get(pk=claim.subject).recording)


@does(previewing.PREPARE_PREVIEWS)
def prepare_previews(claim: Claim) -> None:
    """Cut the stems of a version for listening."""
    previewing.prepare_previews(claim)


@does(auditing.AUDIT_PACK)
def audit_pack(claim: Claim) -> None:
    """Audit the stems on a desk."""
    auditing.audit_pack(claim)


@does(mending.MEND)
def mend(claim: Claim) -> None:
    """Make new recordings by one of the fixes."""
    mending.mend(claim)


@does(unpacking.UNPACK)
def unpack(claim: Claim) -> None:
    """Take the tracks of a ZIP archive in."""
    unpacking.unpack(claim)
