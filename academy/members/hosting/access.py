"""What a host may open of members, tiers and codes."""

from __future__ import annotations

from django.shortcuts import get_object_or_404

from academy.members.models import Grant, InvitationCode, Member, Tier


def member_numbered(pk: int) -> Member:
    """One member who has not left. Raises Http404 for an unknown one."""
    return get_object_or_404(Member, pk=pk, is_active=True)


def grant_of(member: Member, pk: int) -> Grant:
    """One of the member's grants. Raises Http404 for an unknown one."""
    return get_object_or_404(member.grants.select_related("tier"), pk=pk)


def tier_called(slug: str) -> Tier:
    """One tier. Raises Http404 for an unknown one."""
    return get_object_or_404(Tier, slug=slug)


def code_numbered(pk: int) -> InvitationCode:
    """One invitation code. Raises Http404 for an unknown one."""
    return get_object_or_404(InvitationCode, pk=pk)
