"""The demo's song and its mixes, rendered once a run for every test that wants real music."""

from __future__ import annotations

from pathlib import Path

from contests.demo.rendering import render_all
from fixtures import mixes
from fixtures.scenario import SCENARIO


def rendered_mixes(folder: Path) -> list[Path]:
    """Render into the folder; the reference mix and every entrant's mix, in that order, as WAV files."""
    audio = render_all(folder, say=lambda sentence: None)
    return [audio.mix(mix.key) for mix in (mixes.REFERENCE, *SCENARIO.entries)]


def audio_folder(rendered: list[Path]) -> Path:
    """The folder that such mixes were rendered into, as the `demo` command wants it."""
    return rendered[0].parent.parent
