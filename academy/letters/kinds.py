"""The kinds of letter there are. A room's `letters.py` announces its own; this room knows none of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """One kind of letter.

    `templates` is the pair's address without its ending: `….txt` extends `academy/letters/frame.txt`, and
    `….html` extends `academy/letters/frame.html`. `subject` is one line with the context's words in braces.
    `why` finishes the sentence "You get this letter because …". What is not essential can be switched off.
    `sample` is a context with invented words, for the host's preview. `hides_address`: where such a letter
    met trouble, a host is not told to whom it went, for kind and time would say what the person did.
    """

    name: str
    title: str
    subject: str
    templates: str
    why: str
    is_essential: bool
    sample: Mapping[str, object]
    hides_address: bool = False


_kinds: dict[str, Kind] = {}


def announce(kind: Kind) -> Kind:
    """Make a kind known. Raises ValueError when another one has its name."""
    if _kinds.setdefault(kind.name, kind) != kind:
        raise ValueError(f"two kinds of letter are called {kind.name!r}")
    return kind


def every_kind() -> list[Kind]:
    """All kinds, by title."""
    return sorted(_kinds.values(), key=lambda kind: kind.title)


def kind_called(name: str) -> Kind | None:
    """The kind of that name; None when no room announced it."""
    return _kinds.get(name)
