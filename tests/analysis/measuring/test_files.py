"""Files measured where they lie."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from PIL import Image

from analysis.dsp.meter import measure
from analysis.measuring import files, pictures
from tests import tones


@pytest.fixture
def write(tmp_path):
    def write_file(name: str, audio: tones.Audio, *, rate_hz: int = 48_000, subtype: str = "PCM_24") -> str:
        path = tmp_path / name
        soundfile.write(path, audio, rate_hz, subtype=subtype)
        return str(path)

    return write_file


class TestMeasureFile:
    def test_without_a_picture_nothing_that_draws_is_loaded(self, write):
        path = write("tone.wav", tones.sine(997.0, -23.0, 1.0, rate_hz=48_000))
        script = (
            "import sys; from analysis.measuring.files import measure_file\n"
            "found = measure_file(sys.argv[1]); assert found['error'] is None, found\n"
            "print('PIL' in sys.modules)"
        )
        said = subprocess.check_output([sys.executable, "-c", script, path], text=True)
        assert said == "False\n"

    @pytest.mark.parametrize("name", ["tone.wav", "tone.flac"])
    @pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
    def test_it_reads_what_tech_3341_expects(self, write, name, rate_hz):
        # EBU Tech 3341, case 1: -23 LUFS, 0.1 LU.
        path = write(name, tones.sine(1_000.0, -23.0, 20.0, rate_hz=rate_hz), rate_hz=rate_hz)
        found = files.measure_file(path)
        assert found["error"] is None
        assert found["integrated_lufs"] == pytest.approx(-23.0, abs=0.1)
        assert (found["format"], found["subtype"]) == (name[-4:].strip(".").upper(), "PCM_24")
        assert (found["sample_rate_hz"], found["channels"]) == (rate_hz, 2)
        assert (found["frames"], found["duration_s"]) == (20 * rate_hz, 20.0)

    def test_it_measures_the_samples_of_the_file(self, write):
        audio = tones.music_like(5.0, rate_hz=48_000)
        found = files.measure_file(write("music.wav", audio, subtype="FLOAT"))
        as_stored = audio.astype(np.float32).astype(np.float64)
        expected = measure([as_stored], rate_hz=48_000, n_channels=2).as_json_dict()
        for name in files.MEASURED:
            assert found[name] == pytest.approx(expected[name], abs=1e-8)

    def test_silence_is_no_error(self, write):
        found = files.measure_file(write("silent.wav", tones.silence(1.0, rate_hz=48_000)))
        assert found["error"] is None
        assert found["silent"] is True
        assert found["integrated_lufs"] is None

    @pytest.mark.parametrize("n_channels", [3, 4])
    def test_it_refuses_channels_whose_order_is_unknown(self, write, n_channels):
        audio = tones.noise(-20.0, 0.5, rate_hz=48_000, n_channels=n_channels)
        found = files.measure_file(write("many.wav", audio))
        assert found["error"]["code"] == "channels"
        assert f"{n_channels} channels" in found["error"]["message"]

    def test_it_refuses_a_sample_that_is_no_number(self, write):
        audio = tones.noise(-20.0, 0.5, rate_hz=48_000)
        audio[100, 0] = np.nan
        found = files.measure_file(write("broken.wav", audio, subtype="FLOAT"))
        assert found["error"]["code"] == "not_finite"
        assert found["integrated_lufs"] is None

    def test_it_refuses_what_is_not_there_or_not_audio(self, tmp_path):
        text = tmp_path / "text.wav"
        text.write_text("not audio")
        assert files.measure_file(str(text))["error"] is not None
        assert files.measure_file(str(tmp_path / "missing.wav"))["error"]["code"] == "unreadable"


def _kill_on_bad(path: str, picture_path: Path | None) -> files.Found:
    """Stands in for a decoder that a damaged file brings down: ends its process without a word."""
    if Path(path).name.startswith("bad"):
        os._exit(11)
    return {"path": path, "error": None}


class TestMeasureFiles:
    def test_it_keeps_the_order_of_the_call(self, write):
        paths = [write(f"{i}.wav", tones.sine(997.0, -6.0 - i, 1.0, rate_hz=48_000)) for i in range(5)]
        found = list(files.measure_files(paths))
        assert [one["path"] for one in found] == paths
        expected_dbfs = [-6.0 - i for i in range(5)]
        assert [one["sample_peak_dbfs"] for one in found] == pytest.approx(expected_dbfs, abs=0.01)

    def test_a_file_that_stops_the_decoder_is_refused_alone(self, monkeypatch):
        monkeypatch.setattr(files, "measure_file", _kill_on_bad)
        found = list(files.measure_files(["one.wav", "bad.wav", "two.wav", "bad again.wav"]))
        assert [one["path"] for one in found] == ["one.wav", "bad.wav", "two.wav", "bad again.wav"]
        codes = [one["error"] and one["error"]["code"] for one in found]
        assert codes == [None, "decode_failed", None, "decode_failed"]

    def test_nothing_gives_nothing(self):
        assert list(files.measure_files([])) == []


class TestPictures:
    def test_each_file_gets_one_with_its_text_inside(self, write, tmp_path):
        path = write("tone.wav", tones.sine(1_000.0, -23.0, 5.0, rate_hz=48_000))
        (found,) = files.measure_files([path], picture_dir=tmp_path)
        assert found["error"] is None
        with Image.open(tmp_path / "tone.wav.png") as picture:
            assert picture.size == (1200, 520)
            assert "integrated −23.0 LUFS" in picture.text["Description"]

    def test_the_outline_and_the_loudness_stand_where_they_belong(self, write, tmp_path):
        # Half scale for the first half, silence for the second: the outline reaches half way, then lies flat.
        audio = tones.sine(1_000.0, 20 * np.log10(0.5), 10.0, rate_hz=48_000)
        audio[240_000:] = 0.0
        (found,) = files.measure_files([write("half.wav", audio)], picture_dir=tmp_path)
        assert found["error"] is None
        with Image.open(tmp_path / "half.wav.png") as picture:
            dark = np.asarray(picture.convert("L")) < 100
        outline = dark[pictures.OUTLINE_TOP : pictures.OUTLINE_BOTTOM + 1, pictures.LEFT : pictures.RIGHT]
        rows = outline.sum(axis=0)
        assert rows[: 1090 // 2 - 2] == pytest.approx(190 / 2, abs=2)
        assert rows[1090 // 2 + 2 :] == pytest.approx(1, abs=1)

    def test_two_files_of_one_name_get_two(self, write, tmp_path):
        first = write("a.wav", tones.silence(1.0, rate_hz=48_000))
        list(files.measure_files([first, first], picture_dir=tmp_path))
        assert {path.name for path in tmp_path.glob("*.png")} == {"a.wav.png", "a.wav (1).png"}

    def test_a_picture_that_cannot_be_written_is_told_and_the_numbers_stay(self, write, tmp_path):
        path = write("a.wav", tones.sine(997.0, -6.0, 1.0, rate_hz=48_000))
        found = files.measure_file(path, tmp_path / "no such folder" / "a.png")
        assert found["error"]["code"] == "picture_not_written"
        assert found["sample_peak_dbfs"] == pytest.approx(-6.0, abs=0.01)
