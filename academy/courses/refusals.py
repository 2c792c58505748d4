"""What a host is told when something cannot be done as asked."""

from __future__ import annotations


class CourseRefused(Exception):
    """A course, or something of it, cannot be changed as asked; the sentence says why and what to do."""
