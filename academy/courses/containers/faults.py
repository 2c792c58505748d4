"""The one refusal of this room."""

from __future__ import annotations


class MediaRefused(Exception):
    """A file that cannot be a lesson's recording; the sentence says why and what to do."""


def broken(container: str) -> MediaRefused:
    """For a file that begins like its kind and does not go on like it."""
    return MediaRefused(
        f"The file begins as {container} and does not go on as one: it is damaged or was cut off. "
        "Export it again and send the whole file."
    )
