"""Files read once and side by side: what was kept for the alignment is heard like the rest."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import audiofile
from analysis.dsp.balance import BalanceMeter
from analysis.measuring import side_by_side
from analysis.measuring.side_by_side import hear, middle, side, whole
from tests.mixdowns import song

RATE_HZ = 48_000
SECONDS = 12.0
LATE_FRAMES = 4_803


@pytest.fixture(scope="module")
def stems():
    """Four invented stems, the last of them in stereo, the second one shorter."""
    made = song(4, SECONDS, rate_hz=RATE_HZ, seed=7)
    made[1] = made[1][: 9 * RATE_HZ]
    assert [stem.shape[1] for stem in made] == [1, 1, 1, 2]
    return made


@pytest.fixture(scope="module")
def mix(stems):
    """Their sum in stereo, the first one on the left."""
    total = np.zeros((round(SECONDS * RATE_HZ), 2))
    for stem, pan in zip(stems, ([1.0, 0.2], [1.0, 1.0], [1.0, 1.0], [1.0, 1.0]), strict=True):
        total[: len(stem)] += 0.2 * stem * pan
    return total


@pytest.fixture(scope="module")
def paths(tmp_path_factory, stems, mix):
    """The files of the stems, and last the mix, which starts late."""
    place = tmp_path_factory.mktemp("files")
    late = np.concatenate([np.zeros((LATE_FRAMES, 2)), mix])
    written = []
    for number, audio in enumerate([*stems, late]):
        written.append(str(place / f"{number}.wav"))
        audiofile.write_wav(
            written[-1],
            [audio.astype(np.float64)],
            rate_hz=RATE_HZ,
            channels=audio.shape[1],
            subtype="FLOAT",
        )
    return written


def given_whole(stems, mix):
    """The balance of the same, given to a meter at once: nothing is kept ahead, aligned or cut there."""
    columns = [np.pad(stem, ((0, len(mix) - len(stem)), (0, 0))) for stem in stems]
    meter = BalanceMeter(rate_hz=RATE_HZ, stem_channels=[1, 1, 1, 2], mix_channels=[2])
    meter.add(np.concatenate([*columns, mix], axis=1))
    return [level.db for level in meter.result()[0].stems]


@pytest.mark.parametrize(
    "kept_s",
    [
        pytest.param(120.0, id="all of it kept"),
        pytest.param(4.0, id="a part kept"),
        pytest.param(0.3, id="too little kept to align by, so that the stems are read again"),
    ],
)
def test_however_much_is_kept_the_same_is_heard(monkeypatch, stems, mix, paths, kept_s):
    monkeypatch.setattr(side_by_side, "MOST_BYTES_AHEAD", round(kept_s * RATE_HZ) * 5 * 4)
    heard = hear(paths[:-1], paths[-1:], [(0, whole)], rate_hz=RATE_HZ)
    assert [(offset.frames, offset.is_sure) for offset in heard.offsets] == [(LATE_FRAMES, True)]
    found = [level.db for level in heard.meter.result()[0].stems]
    # What is read in 32-bit floats is exact; the rest is the order of the sums.
    assert found == pytest.approx(given_whole(stems, mix), abs=1e-3)


def test_stems_are_decoded_once_where_their_start_says_enough(monkeypatch, paths):
    opened = []

    class Counting(side_by_side.Track):
        def __init__(self, path, **more):
            opened.append(path)
            super().__init__(path, **more)

    monkeypatch.setattr("analysis.measuring.aligned.Track", Counting)
    monkeypatch.setattr(side_by_side, "Track", Counting)
    hear(paths[:-1], paths[-1:], [(0, whole)], rate_hz=RATE_HZ)
    assert [opened.count(path) for path in paths] == [1, 1, 1, 1, 2]  # the mix, to be aligned


def test_middle_and_side_add_up_to_the_channels():
    audio = np.random.default_rng(1).standard_normal((8, 2))
    # By definition: left is middle plus side, right is middle less side.
    np.testing.assert_allclose(
        np.concatenate([middle(audio) + side(audio), middle(audio) - side(audio)], 1), audio
    )
    assert not side(audio[:, :1]).any()
