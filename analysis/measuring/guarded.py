"""Work on several files together, in a process of its own: one that stops the decoder is found and named."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from analysis.audiofile import AudioError
from analysis.audiofile.apart import apart
from analysis.measuring.aligned import refusing
from analysis.measuring.blocks import stored_blocks

Result = TypeVar("Result")


def guarded(task: Callable[..., Result], *call: Any, paths: Sequence[str]) -> Result:
    """What `task` makes of its call, which reads the files at `paths`.

    Raises what the task raises; TrackRefused for the first file that brings its process down.
    """
    try:
        return apart(task, *call)
    except AudioError:
        for path in paths:
            with refusing(path):
                apart(_decode, path)
        raise  # each of them alone can be decoded


def _decode(path: str) -> None:
    for _ in stored_blocks(path):
        pass
