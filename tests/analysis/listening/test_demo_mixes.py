"""Different mixes of one song, by other hands than this room's: their makers' settings are the answer."""

from pathlib import Path

from analysis.listening.copies import Original, offset_against
from fixtures.scenario import SCENARIO

RATE_HZ = 48_000


class TestOffsetAgainst:
    def test_every_entry_is_placed_to_the_frame_against_the_teachers_mix(self, demo_mixes: list[Path]):
        reference, *mixes = demo_mixes
        found = {}
        for path in mixes:
            offset = offset_against(Original(path, rate_hz=RATE_HZ), reference)
            found[path.stem] = (offset.frames, offset.polarity, offset.is_sure)
        assert found == {
            mix.key: (
                round(mix.settings.delivery.late_s * RATE_HZ),
                -1 if mix.planted == "inverted" else 1,
                True,
            )
            for mix in SCENARIO.entries
        }
