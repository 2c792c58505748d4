"""The slow work of this room."""

from __future__ import annotations

from academy.packs import building, publishing
from academy.packs.models import Stem
from analysis.jobs.claiming import Claim
from analysis.jobs.kinds import does
from analysis.measuring.measuring import measurement_of


@does(building.BUILD_PACK)
def build_pack(claim: Claim) -> None:
    """Build a pack's archive."""
    building.build_pack(claim)


@does(publishing.MEASURE_STEM)
def measure_stem(claim: Claim) -> None:
    """Measure one stem, for the table on the pack's page."""
    measurement_of(Stem.objects.select_related("recording").get(pk=claim.subject).recording)
