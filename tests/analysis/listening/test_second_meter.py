"""The other meter, on signals whose loudness a standard names."""

import math
import tracemalloc

import numpy as np
import pyloudnorm
import pytest
import soundfile

from analysis.audiofile import AudioError
from analysis.listening.second_meter import read_lufs
from tests import tones

RATE_HZ = 48_000


class TestReadLufs:
    def test_the_first_minimum_requirement(self, write_wav):
        # EBU Tech 3341, table 1, case 1: a 1 kHz stereo sine at -23 dBFS for 20 s reads -23.0 +/- 0.1 LUFS.
        path = write_wav(tones.sine(1000.0, -23.0, 20.0, rate_hz=RATE_HZ))
        assert read_lufs(path) == pytest.approx(-23.0, abs=0.1)

    def test_full_scale_in_one_channel(self, write_wav):
        # ITU-R BS.1770-5, annex 1: 997 Hz at 0 dBFS in one front channel reads -3.01; the library's default
        # filter reads -3.05.
        tone = tones.sine(997.0, 0.0, 5.0, rate_hz=RATE_HZ) * [1.0, 0.0]
        path = write_wav(tone, subtype="FLOAT")
        assert read_lufs(path) == pytest.approx(-3.01, abs=0.005)

    def test_the_gate_leaves_the_soft_part_out(self, write_wav):
        # EBU Tech 3341, table 1, case 3: -36, -23, -36 dBFS for 10, 60 and 10 s read -23.0 +/- 0.1 LUFS.
        path = write_wav(tones.steps([(-36, 10), (-23, 60), (-36, 10)], rate_hz=RATE_HZ))
        assert read_lufs(path) == pytest.approx(-23.0, abs=0.1)

    @pytest.mark.parametrize("duration_s", [0.4, 0.46, 0.499, 0.5, 1.07])
    def test_a_part_of_a_block_at_the_end_does_not_count(self, write_wav, duration_s):
        # A steady tone reads the same however long it is; a block that is part empty would read lower.
        path = write_wav(tones.sine(1000.0, -23.0, duration_s, rate_hz=RATE_HZ))
        assert read_lufs(path) == pytest.approx(-23.0, abs=0.1)

    def test_silence_is_an_answer(self, write_wav):
        assert read_lufs(write_wav(tones.silence(2.0, rate_hz=RATE_HZ))) == -math.inf

    def test_below_one_block_there_is_no_loudness(self, write_wav):
        assert math.isnan(read_lufs(write_wav(tones.sine(1000.0, -23.0, 0.39, rate_hz=RATE_HZ))))

    @pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
    @pytest.mark.parametrize(
        "duration_s", [9.9, 10.0, 10.1, 10.4, 10.5, 10.59, 10.6, 20.45, 20.5, 20.6, 30.8]
    )
    def test_in_stretches_it_reads_what_the_library_reads_of_the_whole(self, write_wav, duration_s, rate_hz):
        # The library itself, over whole steps of 100 ms, is the answer; a soft middle gives both gates work.
        audio = tones.noise(-20.0, duration_s, rate_hz=rate_hz)
        audio[rate_hz : int(6.05 * rate_hz)] *= 0.05
        audio[6 * rate_hz : 7 * rate_hz] *= 1e-5
        path = write_wav(audio, rate_hz=rate_hz, subtype="FLOAT")
        whole_steps = audio[: round(duration_s * 100) // 10 * rate_hz // 10].astype(np.float32)
        meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
        wanted = meter.integrated_loudness(whole_steps.astype(np.float64))
        assert read_lufs(path) == pytest.approx(wanted, abs=1e-9)

    def test_memory_does_not_grow_with_the_length(self, write_wav):
        audio = tones.noise(-20.0, 60.0, rate_hz=RATE_HZ)
        path = write_wav(audio)
        tracemalloc.start()
        read_lufs(path)
        _, most_bytes = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert most_bytes < audio.nbytes / 2

    def test_damage_after_the_last_whole_step_is_found(self, tmp_path):
        audio = tones.noise(-20.0, 10.05, rate_hz=RATE_HZ)
        audio[-1] = np.nan
        soundfile.write(tmp_path / "wild.wav", audio, RATE_HZ, subtype="FLOAT")
        with pytest.raises(AudioError, match="not a number"):
            read_lufs(tmp_path / "wild.wav")

    def test_parts_are_heard_as_one(self, write_wav):
        tone = tones.steps([(-36, 3), (-23, 5)], rate_hz=RATE_HZ)
        whole = write_wav(tone, name="whole.wav")
        parts = [write_wav(part, name=f"{at}.wav") for at, part in enumerate(np.split(tone, [1, 100_000]))]
        assert read_lufs(*parts) == read_lufs(whole)
