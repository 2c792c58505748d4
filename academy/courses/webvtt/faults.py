"""What is wrong with a caption file, line by line."""

from __future__ import annotations

MOST_FAULTS = 12
"""More help nobody: they are mostly one mistake, made again and again."""


class CaptionsRefused(Exception):
    """A caption file that is not taken. `sentences` are for the person who wrote it, each with its line."""

    def __init__(self, sentences: list[str]) -> None:
        super().__init__(sentences)
        self.sentences = sentences

    def __str__(self) -> str:
        return " ".join(self.sentences)


class Faults:
    """Collects what is wrong, in the order of the lines."""

    def __init__(self) -> None:
        self._found: list[tuple[int, str]] = []

    def add(self, line: int, sentence: str) -> None:
        """Note one fault. Lines count from 1."""
        self._found.append((line, sentence))

    def refuse_any(self) -> None:
        """Raise CaptionsRefused if there is a fault; does nothing otherwise."""
        if not self._found:
            return
        found = sorted(self._found, key=lambda fault: fault[0])
        sentences = [f"Line {line}: {sentence}" for line, sentence in found[:MOST_FAULTS]]
        if len(found) > MOST_FAULTS:
            sentences.append(f"{len(found) - MOST_FAULTS} more faults follow. Put these right first.")
        raise CaptionsRefused(sentences)
