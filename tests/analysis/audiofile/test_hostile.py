"""Every file of the hostile set gets its verdict, and nothing but an AudioError comes out."""

from collections.abc import Callable
from pathlib import Path

import pytest

from analysis.audiofile import AudioDescription, AudioError, describe, probe
from tests.analysis.audiofile.hostile import CASES, Case

REFUSED_BY_HEADER = [case for case in CASES if case.verdict is not None and case.in_header]


def verdict(check: Callable[[Path], AudioDescription], path: Path) -> str | None:
    """The code of the refusal; None where the file is taken."""
    try:
        check(path)
    except AudioError as refusal:
        return refusal.code
    return None


@pytest.fixture
def path(tmp_path: Path, case: Case) -> Path:
    path = tmp_path / case.file_name
    path.write_bytes(case.build())
    return path


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
class TestVerdicts:
    def test_the_header_alone(self, path: Path, case: Case):
        assert verdict(describe, path) == (case.verdict if case.in_header else None)

    def test_the_whole_file(self, path: Path, case: Case):
        assert verdict(probe, path) == case.verdict


@pytest.mark.parametrize("case", REFUSED_BY_HEADER, ids=lambda case: case.name)
def test_a_refusal_says_what_to_do_next(path: Path, case: Case):
    with pytest.raises(AudioError) as refusal:
        describe(path)
    message = str(refusal.value)
    assert message.endswith(".")
    assert any(advice in message for advice in ("xport", "upload", "Choose"))


def test_the_set_is_large_and_has_both_kinds():
    assert len({case.name for case in CASES}) == len(CASES) >= 70
    assert sum(case.verdict is None for case in CASES) >= 30
