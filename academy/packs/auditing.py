"""The audit of what lies on a host's desk: asked for after every change, kept until the next."""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass

from django.utils import timezone

from academy.packs.models import PackAudit, StemPack
from analysis.intake import keeping
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from analysis.jobs.models import JobState
from analysis.measuring import audit_files
from analysis.measuring.audit_findings import Finding, Level

AUDIT_PACK = "audit_pack"


@dataclass(frozen=True)
class Fix:
    """A fix on offer: the word for it, and what its button says."""

    word: str
    says: str


# By the code of the finding. Those of the whole pack are in `mending.OF_ALL`.
FIXES = {
    "dc_offset": Fix("offset", "Remove the offset"),
    "turned": Fix("polarity", "Turn its polarity"),
    "mono_in_stereo": Fix("mono", "Make it mono"),
    "other_length": Fix("length", "Give all stems the length of the longest"),
    "common_silence": Fix("start", "Cut it off all stems alike"),
}


@dataclass(frozen=True)
class Shown:
    """One finding as the desk shows it. `stem_id` is None where it is about the whole set."""

    finding: Finding
    stem_id: int | None
    fix: Fix | None


@dataclass(frozen=True)
class AuditState:
    """How far the audit is, and the findings of the last one, the gravest first.

    `none` (nothing to audit), `waiting`, `fresh`, `stale` (the desk changed since),
    `unheard` (never audited), or `failed`.
    """

    word: str
    shown: list[Shown]
    trouble: str = ""  # why the last fix could not be done

    def count(self, level: Level) -> int:
        """How many findings of a level there are."""
        return sum(one.finding.level is level for one in self.shown)

    @property
    def errors(self) -> int:
        """How many errors."""
        return self.count(Level.ERROR)

    @property
    def warnings(self) -> int:
        """How many warnings."""
        return self.count(Level.WARNING)


def request_audit(pack: StemPack) -> None:
    """Have the stems on the desk audited."""
    requesting.request(AUDIT_PACK, pack.pk)


def audit_pack(claim: Claim) -> None:
    """Audit the desk that the claim names, and again where it changed meanwhile."""
    pack = StemPack.objects.get(pk=claim.subject)
    heard = stems_heard(pack)
    findings = _audited(pack)
    with claim.finishing():
        PackAudit.objects.update_or_create(
            pack=pack,
            defaults={
                "stems_heard": heard,
                "findings": [asdict(finding) for finding in findings],
                "trouble": "",
                "audited_at": timezone.now(),
            },
        )
    if stems_heard(pack) != heard:
        request_audit(pack)


def state_of(pack: StemPack) -> AuditState:
    """How far the audit of a desk is, and what was found last."""
    audit = PackAudit.objects.filter(pack=pack).first()
    if not pack.stems.exists():
        return AuditState("none", [])
    job = requesting.state_of(AUDIT_PACK, pack.pk)
    if audit is not None and audit.stems_heard == stems_heard(pack):
        word = "fresh"
    elif job in (JobState.QUEUED, JobState.RUNNING):
        word = "waiting"
    else:
        word = "failed" if job is JobState.FAILED else "unheard" if audit is None else "stale"
    if audit is None:
        return AuditState(word, [])
    return AuditState(word, _shown(pack, audit), audit.trouble)


def stems_heard(pack: StemPack) -> str:
    """A hash of the stems on the desk: their names and recordings, in whatever order."""
    rows = pack.stems.order_by("name").values_list("name", "recording_id")
    return hashlib.sha256("\n".join(f"{name}\0{recording}" for name, recording in rows).encode()).hexdigest()


def _audited(pack: StemPack) -> list[Finding]:
    stems = list(pack.stems.select_related("recording"))
    with keeping.local_paths(stem.recording.storage_key for stem in stems) as paths:
        return audit_files.audit_stems(
            [audit_files.Stem(stem.name, path) for stem, path in zip(stems, paths, strict=True)]
        )


def _shown(pack: StemPack, audit: PackAudit) -> list[Shown]:
    """Findings about stems that are still there, the gravest first."""
    ids = dict(pack.stems.values_list("name", "pk"))
    findings = [Finding(**(one | {"level": Level(one["level"])})) for one in audit.findings]
    there = [finding for finding in findings if finding.file is None or finding.file in ids]
    there.sort(key=lambda finding: list(Level).index(finding.level))
    return [
        Shown(finding, None if finding.file is None else ids[finding.file], FIXES.get(finding.code))
        for finding in there
    ]
