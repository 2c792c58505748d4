"""What a host may open of members, tiers and codes."""

from __future__ import annotations

from django.http import Http404

from academy.members.models import Grant, InvitationCode, Member, Tier


def member_numbered(pk: int) -> Member:
    """One member who has not left. Raises Http404 for an unknown one."""
    member = Member.objects.filter(pk=pk, is_active=True).first()
    if member is None:
        raise Http404
    return member


def grant_of(member: Member, pk: int) -> Grant:
    """One of the member's grants. Raises Http404 for an unknown one."""
    grant = member.grants.select_related("tier").filter(pk=pk).first()
    if grant is None:
        raise Http404
    return grant


def tier_called(slug: str) -> Tier:
    """One tier. Raises Http404 for an unknown one."""
    tier = Tier.objects.filter(slug=slug).first()
    if tier is None:
        raise Http404
    return tier


def code_numbered(pk: int) -> InvitationCode:
    """One invitation code. Raises Http404 for an unknown one."""
    code = InvitationCode.objects.filter(pk=pk).first()
    if code is None:
        raise Http404
    return code
