"""The balance of files section by section, and of files that lie oddly to each other."""

import numpy as np
import pytest
import soundfile
import soxr

from analysis.measuring.balance_files import balance_files
from tests.mixdowns import song

RATE_HZ = 48_000
DURATION_S = 12.0
HALF = round(DURATION_S / 2 * RATE_HZ)


def written(path, audio, rate_hz=RATE_HZ):
    soundfile.write(path, audio, rate_hz, subtype="FLOAT")
    return str(path)


@pytest.fixture(scope="module")
def mono():
    return [stem.mean(axis=1, keepdims=True) for stem in song(3, DURATION_S, rate_hz=RATE_HZ, seed=11)]


@pytest.fixture(scope="module")
def stems(tmp_path_factory, mono):
    place = tmp_path_factory.mktemp("stems")
    return [written(place / f"{number}.wav", stem) for number, stem in enumerate(mono)]


class TestSections:
    def test_a_moved_stem_is_found_in_its_section(self, tmp_path, mono, stems):
        # By algebra: the second stem 6.02 dB up from the middle on.
        plain = 0.3 * sum(mono)
        moved = plain.copy()
        moved[HALF:] += 0.3 * mono[1][HALF:]
        found = balance_files(
            written(tmp_path / "mix.wav", moved),
            stems,
            written(tmp_path / "reference.wav", plain),
            sections_s=[(0.0, 5.8), (6.2, DURATION_S)],
        )
        first, second = ([one.difference.db for one in section] for section in found.sections)
        assert first == pytest.approx([0.0, 0.0, 0.0], abs=0.1)
        assert second == pytest.approx([0.0, 6.02, 0.0], abs=0.1)
        assert len(found.band_edges_hz) == len(found.unexplained) + 1

    def test_a_section_must_end_after_its_start(self, tmp_path, mono, stems):
        with pytest.raises(ValueError, match="after its start"):
            balance_files(written(tmp_path / "mix.wav", sum(mono)), stems, sections_s=[(2.0, 1.0)])


class TestOddFiles:
    def test_a_mix_at_another_rate_late_and_upside_down(self, tmp_path, mono, stems):
        # By algebra: 4 dB less of the last stem; all else is taken off before.
        mix = sum(mono[:2]) + 10 ** (-4 / 20) * mono[2]
        late = np.concatenate([np.zeros((4_410, 1)), -0.2 * soxr.resample(mix, RATE_HZ, 44_100)])
        found = balance_files(
            written(tmp_path / "mix.wav", late, 44_100), stems, written(tmp_path / "reference.wav", sum(mono))
        )
        assert found.offset_is_sure
        assert abs(found.offset_frames - 4_410) <= 1
        differences_db = [one.difference.db for one in found.stems]
        assert differences_db == pytest.approx([0.0, 0.0, -4.0], abs=0.1)

    def test_a_silent_stem_and_one_that_is_not_used(self, tmp_path, mono, stems):
        silent = written(tmp_path / "silent.wav", np.zeros((2 * RATE_HZ, 1)))
        found = balance_files(written(tmp_path / "mix.wav", mono[0] + mono[1]), [*stems, silent])
        used, also_used, unused, empty = (one.level for one in found.stems)
        assert [used.db, also_used.db] == pytest.approx([0.0, 0.0], abs=0.05)
        assert unused.is_absent
        assert not empty.is_sure
        assert not empty.is_absent
