"""Listening copies. What a copy must be follows from its definition: the source, moved, up or down."""

import itertools
import math
import subprocess
import tracemalloc

import numpy as np
import pytest
import soundfile

from analysis.audiofile import AudioError, write_flac
from analysis.dsp.alignment import Offset
from analysis.dsp.dither import to_24_bit
from analysis.dsp.meter import Levels, full_scale, measure
from analysis.listening import copies
from analysis.listening.copies import CopyRefused
from analysis.listening.second_meter import read_lufs
from analysis.measuring.blocks import stored_blocks
from tests import tones

RATE_HZ = 48_000
STEP = 2.0**-23


def whole(source, **changes):
    """The form of a copy of all of a recording, with nothing changed but what is asked for."""
    form = {"gain_db": 0.0, "offset_frames": 0, "polarity": 1, "rate_hz": RATE_HZ, "seed": 1} | changes
    if "frames" not in form:
        form["frames"] = copies.frames_at(copies.describe_source(source), rate_hz=form["rate_hz"])
    return form


def rendered(source, **changes):
    """The blocks of such a copy."""
    form = whole(source, **changes)
    return copies.rendered_blocks(copies.Original(source, rate_hz=form.pop("rate_hz")), **form)


@pytest.fixture
def cut(tmp_path):
    """Cut a copy into segments; returns what was cut."""

    def cut(source, *, segment_frames, name="segments", **changes):
        form = whole(source, **changes)
        return copies.write_segments(
            rendered(source, **form),
            tmp_path / name,
            rate_hz=form["rate_hz"],
            frames=form["frames"],
            segment_frames=segment_frames,
        )

    return cut


@pytest.fixture
def render(tmp_path):
    """Render a copy with nothing changed but what is asked for; returns its path."""

    def render(source, *, name="copy.flac", **changes):
        form = whole(source, **changes)
        copies.write_copy(rendered(source, **form), tmp_path / name, rate_hz=form["rate_hz"])
        return tmp_path / name

    return render


def samples(path):
    """By the library itself, not through our reader."""
    return soundfile.read(path, always_2d=True)[0]


def metadata_blocks(path):
    """(type, content) of each metadata block of a FLAC file. RFC 9639, section 8."""
    content = path.read_bytes()
    assert content[:4] == b"fLaC"
    at, last, blocks = 4, False, []
    while not last:
        last, kind = bool(content[at] & 0x80), content[at] & 0x7F
        length = int.from_bytes(content[at + 1 : at + 4], "big")
        blocks.append((kind, content[at + 4 : at + 4 + length]))
        at += 4 + length
    return blocks


class TestWriteCopy:
    @pytest.mark.parametrize("gain_db", [0.0, -7.3, 4.0])
    def test_gain_is_all_that_is_done(self, render, write_wav, gain_db):
        audio = 0.5 * tones.music_like(3.0, rate_hz=RATE_HZ)
        source = write_wav(audio, subtype="FLOAT")
        difference = samples(render(source, gain_db=gain_db)) - 10 ** (gain_db / 20) * samples(source)
        assert np.abs(difference).max() <= 2 * STEP
        # Dither and rounding are a quarter of a step squared (Wannamaker et al., 2000); nothing else is.
        assert np.mean(difference**2) / STEP**2 == pytest.approx(0.25, rel=0.02)

    def test_no_edge_is_faded(self, render, write_wav):
        source = write_wav(tones.sine(100.0, -6.0, 1.0, rate_hz=RATE_HZ, phase_degrees=90.0))
        difference = samples(render(source)) - samples(source)
        assert np.abs(difference[[0, 1, -2, -1]]).max() <= 2 * STEP

    def test_a_late_and_turned_recording_is_put_right(self, render, write_wav):
        audio = 0.5 * tones.music_like(3.0, rate_hz=RATE_HZ)
        late = write_wav(-np.concatenate([np.zeros((336, 2)), audio]))
        copy = samples(render(late, offset_frames=336, polarity=-1, frames=len(audio)))
        assert np.abs(copy - audio).max() <= 3 * STEP  # the source itself is rounded by half a step

    def test_an_early_recording_is_put_right(self, render, write_wav):
        audio = 0.5 * tones.music_like(3.0, rate_hz=RATE_HZ)
        copy = samples(render(write_wav(audio[70_000:]), offset_frames=-70_000, frames=len(audio)))
        assert np.abs(copy[70_000:] - audio[70_000:]).max() <= 3 * STEP
        assert np.abs(copy[:70_000]).max() <= 2 * STEP

    @pytest.mark.parametrize("frames", [1, 1000, 48_000, 200_001])
    def test_it_is_padded_or_cut_to_the_length(self, render, write_wav, frames):
        audio = tones.noise(-20.0, 1.0, rate_hz=RATE_HZ)
        copy = samples(render(write_wav(audio), frames=frames))
        assert len(copy) == frames
        assert np.abs(copy[:48_000] - audio[:frames]).max() <= 3 * STEP
        assert np.abs(copy[48_000:]).max(initial=0.0) <= 2 * STEP

    def test_padding_cannot_be_told_from_a_silent_ending(self, render, write_wav):
        sound = tones.noise(-20.0, 1.0, rate_hz=RATE_HZ)
        silent_ending = np.concatenate([sound, tones.silence(1.0, rate_hz=RATE_HZ)])
        padded = render(write_wav(sound, name="short.wav"), frames=96_000)
        ended = render(write_wav(silent_ending, name="long.wav"), name="long.flac")
        assert padded.read_bytes() == ended.read_bytes()

    def test_a_mono_recording_becomes_two_equal_channels(self, render, write_wav):
        source = write_wav(tones.sine(440.0, -12.0, 1.0, rate_hz=RATE_HZ, n_channels=1))
        copy = samples(render(source))
        assert copy.shape == (RATE_HZ, 2)
        assert np.array_equal(copy[:, 0], copy[:, 1])

    @pytest.mark.parametrize(("from_hz", "to_hz"), [(44_100, 48_000), (96_000, 48_000), (48_000, 44_100)])
    @pytest.mark.parametrize("tone_hz", [997.0, 15_000.0])
    def test_a_tone_keeps_frequency_level_and_phase_at_another_rate(
        self, render, write_wav, from_hz, to_hz, tone_hz
    ):
        source = write_wav(tones.sine(tone_hz, -6.0, 4.0, rate_hz=from_hz), rate_hz=from_hz, subtype="FLOAT")
        copy = samples(render(source, rate_hz=to_hz))
        assert len(copy) == 4 * to_hz
        # The same sine, computed at the other rate, is the answer; its ends ring, as those of any cut do.
        inside = slice(to_hz, 3 * to_hz)
        wanted, a_quarter_on = (
            tones.sine(tone_hz, -6.0, 4.0, rate_hz=to_hz, phase_degrees=degrees)[inside, 0]
            for degrees in (0.0, 90.0)
        )
        found = copy[inside, 0]
        # Over whole seconds, hence periods, the two are at right angles, so each share is a projection.
        in_phase, across = (np.mean(found * part) / np.mean(part**2) for part in (wanted, a_quarter_on))
        assert 20 * np.log10(in_phase) == pytest.approx(0.0, abs=0.001)
        assert abs(across) < 1e-6  # radians
        residue = found - in_phase * wanted
        assert 10 * np.log10(np.mean(residue**2) / np.mean(wanted**2)) < -120.0

    def test_the_measures_returned_are_those_of_the_file(self, tmp_path, write_wav):
        source = write_wav(0.5 * tones.music_like(5.0, rate_hz=RATE_HZ))
        destination = tmp_path / "copy.flac"
        returned = copies.write_copy(rendered(source, gain_db=-3.0), destination, rate_hz=RATE_HZ)
        found = measure([samples(destination)], rate_hz=RATE_HZ, n_channels=2)
        assert returned.integrated_lufs == pytest.approx(found.integrated_lufs, abs=1e-9)
        assert returned.true_peak_dbtp == found.true_peak_dbtp

    def test_the_same_call_writes_the_same_bytes(self, render, write_wav):
        source = write_wav(tones.noise(-20.0, 1.0, rate_hz=RATE_HZ))
        one, again, other = (
            render(source, name=name, seed=seed).read_bytes()
            for name, seed in (("a.flac", 1), ("b.flac", 1), ("c.flac", 2))
        )
        assert one == again
        assert one != other

    def test_what_would_clip_is_refused_and_nothing_is_left(self, render, write_wav, tmp_path):
        source = write_wav(tones.sine(997.0, -3.0, 1.0, rate_hz=RATE_HZ))
        with pytest.raises(CopyRefused, match="full scale") as refused:
            render(source, gain_db=6.0)
        assert refused.value.code == "over_full_scale"
        assert not (tmp_path / "copy.flac").exists()

    def test_more_than_two_channels_are_refused(self, render, write_wav):
        source = write_wav(tones.noise(-20.0, 1.0, rate_hz=RATE_HZ, n_channels=6))
        with pytest.raises(CopyRefused, match="6 channels") as refused:
            render(source, frames=RATE_HZ)
        assert refused.value.code == "channels"

    def test_a_damaged_source_is_refused_and_nothing_is_left(self, render, write_wav, tmp_path):
        audio = tones.noise(-20.0, 1.0, rate_hz=RATE_HZ)
        audio[30_000] = np.nan
        with pytest.raises((AudioError, ValueError)):
            render(write_wav(audio, subtype="FLOAT"))
        assert not (tmp_path / "copy.flac").exists()

    @pytest.mark.parametrize("in_segments", [False, True])
    def test_memory_does_not_grow_with_the_length(self, render, cut, write_wav, in_segments):
        audio = tones.noise(-20.0, 40.0, rate_hz=44_100)
        source = write_wav(audio, rate_hz=44_100)
        whole_bytes = audio.nbytes
        tracemalloc.start()
        cut(source, segment_frames=96_000) if in_segments else render(source)
        _, most_bytes = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert most_bytes < whole_bytes / 2


class TestBlindness:
    def test_headers_of_copies_differ_in_checksum_and_frame_sizes_only(self, render, write_wav):
        quiet = write_wav(tones.noise(-60.0, 3.0, rate_hz=RATE_HZ), name="quiet.wav", subtype="PCM_16")
        other = write_wav(
            tones.music_like(2.0, rate_hz=44_100, seed=4), rate_hz=44_100, name="other.wav", subtype="FLOAT"
        )
        one, two = (
            metadata_blocks(render(source, name=f"{source.stem}.flac", frames=3 * RATE_HZ, gain_db=-6.0))
            for source in (quiet, other)
        )
        assert [kind for kind, _ in one] == [kind for kind, _ in two]
        for (kind, first), (_, second) in zip(one, two, strict=True):
            if kind != 0:
                assert first == second
                continue
            # STREAMINFO, RFC 9639, 8.2: block sizes 4 bytes, frame sizes 6, rate to length 8, MD5 16.
            assert first[:4] == second[:4]
            assert first[10:18] == second[10:18]

    def test_no_tag_of_the_source_reaches_the_copy(self, render, write_wav, tmp_path):
        source = write_wav(tones.noise(-20.0, 1.0, rate_hz=RATE_HZ))
        with soundfile.SoundFile(tmp_path / "tagged.wav", "w", RATE_HZ, 2, "PCM_24") as tagged:
            for tag in ("artist", "title", "comment", "software", "date"):
                setattr(tagged, tag, "Quenby Ashgrove 1987")
            tagged.write(samples(source))
        assert b"Quenby" in (tmp_path / "tagged.wav").read_bytes()
        copy = render(tmp_path / "tagged.wav")
        assert b"Quenby" not in copy.read_bytes()
        # RFC 9639, 8.1: 0 is STREAMINFO, 4 the comments; 4 holds the encoder's name and no comment (8.6).
        blocks = dict(metadata_blocks(copy))
        assert set(blocks) <= {0, 4}
        assert blocks[4][-4:] == bytes(4)


class TestOriginal:
    def read(self, original):
        """Its samples, put together as float64."""
        return np.concatenate([full_scale(block) for block in original.blocks()])

    @pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
    @pytest.mark.parametrize("n_channels", [1, 2])
    def test_what_was_aligned_is_not_decoded_again(self, write_wav, subtype, n_channels):
        source = write_wav(tones.noise(-20.0, 2.0, rate_hz=RATE_HZ, n_channels=n_channels), subtype=subtype)
        wanted = samples(source)
        original = copies.Original(source, rate_hz=RATE_HZ)
        assert np.array_equal(original.start(), wanted)
        source.unlink()
        assert np.array_equal(self.read(original), wanted)

    def test_what_float32_would_round_is_read_again(self, write_wav):
        source = write_wav(tones.noise(-20.0, 2.0, rate_hz=RATE_HZ), subtype="PCM_32")
        original = copies.Original(source, rate_hz=RATE_HZ)
        assert not np.array_equal(original.start(), samples(source))
        assert np.array_equal(self.read(original), samples(source))

    def test_what_is_longer_than_its_start_is_read_again(self, write_wav, monkeypatch):
        monkeypatch.setattr(copies, "ALIGNED_S", 1)
        source = write_wav(tones.noise(-20.0, 2.0, rate_hz=RATE_HZ))
        original = copies.Original(source, rate_hz=RATE_HZ)
        assert np.array_equal(original.start(), samples(source)[:RATE_HZ])
        assert np.array_equal(self.read(original), samples(source))

    def test_at_another_rate_it_is_the_same_before_and_after(self, write_wav):
        source = write_wav(tones.noise(-20.0, 2.0, rate_hz=44_100), rate_hz=44_100)
        original = copies.Original(source, rate_hz=RATE_HZ)
        before = self.read(original)
        assert np.array_equal(original.start(), before.astype(np.float32))
        assert np.array_equal(self.read(original), before)


class TestMeasureAsHeard:
    def heard(self, source, *, frames):
        original = copies.Original(source, rate_hz=RATE_HZ)
        return copies.measure_as_heard(original, offset_frames=0, frames=frames)

    def test_mono_is_heard_from_two_loudspeakers(self, write_wav):
        # BS.1770-5, annex 1, equation 2: the channels' powers add up, so two equal ones read 3.01 LU more.
        tone = tones.sine(1000.0, -23.0, 3.0, rate_hz=RATE_HZ, n_channels=1)
        source = write_wav(tone)
        heard = self.heard(source, frames=3 * RATE_HZ)
        alone = measure([tone], rate_hz=RATE_HZ, n_channels=1)
        assert heard.integrated_lufs - alone.integrated_lufs == pytest.approx(10 * math.log10(2), abs=0.001)

    def test_what_is_cut_off_does_not_count(self, write_wav):
        source = write_wav(tones.steps([(-23, 5), (-3, 5)], rate_hz=RATE_HZ))
        heard = self.heard(source, frames=5 * RATE_HZ)
        assert heard.integrated_lufs == pytest.approx(-23.0, abs=0.1)  # EBU Tech 3341, case 1
        assert heard.true_peak_dbtp < -22.0


class TestMakeCopy:
    def make(self, source, folder, **changes):
        form = {"level_lufs": -23.0, "gain_db": 0.0, "rate_hz": RATE_HZ, "frames": 5 * RATE_HZ, "seed": 1}
        return copies.make_copy(source, folder, segment_frames=96_000, **(form | changes))

    @pytest.fixture
    def tone(self, write_wav):
        """-23.0 LUFS by EBU Tech 3341, case 1."""
        return write_wav(tones.sine(1000.0, -23.0, 5.0, rate_hz=RATE_HZ))

    def test_two_meters_read_it_at_the_level(self, tone, tmp_path):
        made = self.make(tone, tmp_path / "copy", level_lufs=-29.0, gain_db=-6.0)
        assert made.copy_lufs == pytest.approx(-29.0, abs=0.1)
        assert made.second_meter_lufs == pytest.approx(-29.0, abs=0.1)
        assert made.copy_true_peak_dbtp == pytest.approx(-29.0, abs=0.2)
        assert (made.offset_frames, made.polarity) == (0, 1)

    @pytest.mark.parametrize("missed_by_lu", [-0.15, 0.15])
    def test_a_copy_that_misses_the_level_is_refused_and_removed(self, tone, tmp_path, missed_by_lu):
        with pytest.raises(CopyRefused, match="not fair") as refused:
            self.make(tone, tmp_path / "copy", level_lufs=-23.0 + missed_by_lu)
        assert refused.value.code == "level_missed"
        assert not list((tmp_path / "copy").iterdir())

    def test_silence_is_refused(self, write_wav, tmp_path):
        with pytest.raises(CopyRefused, match="-inf"):
            self.make(write_wav(tones.silence(5.0, rate_hz=RATE_HZ)), tmp_path / "copy")

    def test_a_second_meter_that_disagrees_refuses_it(self, tone, tmp_path, monkeypatch):
        monkeypatch.setattr("analysis.listening.second_meter.read_lufs", lambda *paths: -22.85)
        with pytest.raises(CopyRefused, match="second meter"):
            self.make(tone, tmp_path / "copy")

    def test_a_peak_over_the_ceiling_is_refused(self, tone, tmp_path):
        with pytest.raises(CopyRefused, match="ceiling") as refused:
            self.make(tone, tmp_path / "copy", ceiling_dbtp=-24.0)
        assert refused.value.code == "ceiling_passed"

    def test_with_a_reference_it_is_aligned_at_another_rate_too(self, write_wav, tmp_path):
        # The source's rate is twice the copy's, so 672 frames late are 336 in the copy.
        audio = 0.1 * tones.music_like(5.0, rate_hz=96_000)
        reference = write_wav(audio, rate_hz=96_000, name="reference.wav")
        late = np.concatenate([np.zeros((672, 2)), -audio])
        source = write_wav(late, rate_hz=96_000, name="late.wav")
        level_lufs = measure([audio], rate_hz=96_000, n_channels=2).integrated_lufs
        made = self.make(source, tmp_path / "copy", level_lufs=level_lufs, reference=reference)
        assert (made.offset_frames, made.polarity) == (336, -1)

    @pytest.mark.parametrize("subtype", ["PCM_24", "PCM_32"])
    def test_aligned_by_itself_or_by_others_it_is_the_same_copy(self, write_wav, tmp_path, subtype):
        audio = 0.1 * tones.music_like(5.0, rate_hz=RATE_HZ)
        reference = write_wav(audio, name="reference.wav")
        late = np.concatenate([np.zeros((336, 2)), -audio])
        source = write_wav(late, name="late.wav", subtype=subtype)
        level_lufs = measure([audio], rate_hz=RATE_HZ, n_channels=2).integrated_lufs
        found = self.make(source, tmp_path / "found", level_lufs=level_lufs, reference=reference)
        known = Offset(frames=336, polarity=-1, confidence=1.0)
        told = self.make(source, tmp_path / "told", level_lufs=level_lufs, offset=known)
        assert (found.offset_frames, found.polarity) == (336, -1)
        assert [part.read_bytes() for part in found.segments] == [part.read_bytes() for part in told.segments]


class TestWriteSegments:
    @pytest.mark.parametrize("frames", [96_000, 100_003, 40_000])
    def test_segments_joined_are_the_copy(self, render, cut, write_wav, frames):
        source = write_wav(0.5 * tones.music_like(2.0, rate_hz=RATE_HZ))
        segments = cut(source, segment_frames=48_000, frames=frames).segments
        assert [segment.name for segment in segments] == [
            f"{index:05d}.flac" for index in range(math.ceil(frames / 48_000))
        ]
        parts = [soundfile.read(segment, dtype="int32", always_2d=True)[0] for segment in segments]
        assert {len(part) for part in parts[:-1]} <= {48_000}
        copy = render(source, frames=frames)
        assert np.array_equal(np.concatenate(parts), soundfile.read(copy, dtype="int32", always_2d=True)[0])

    def test_their_samples_are_the_gained_and_dithered_source_to_the_last_bit(self, cut, write_wav):
        # Computed here in one piece: a gain, and the dither that this seed gives, whatever the blocks.
        source = write_wav(0.5 * tones.music_like(4.0, rate_hz=RATE_HZ))
        segments = cut(source, segment_frames=50_000, gain_db=-4.3, seed=11).segments
        parts = [soundfile.read(segment, dtype="int32", always_2d=True)[0] for segment in segments]
        wanted = to_24_bit(samples(source) * 10 ** (-4.3 / 20), np.random.default_rng(11))
        assert np.array_equal(np.concatenate(parts), wanted)

    def test_each_segment_is_the_file_that_its_samples_alone_make(self, render, cut, write_wav, tmp_path):
        source = write_wav(0.5 * tones.music_like(3.0, rate_hz=RATE_HZ))
        audio = soundfile.read(render(source), dtype="int32", always_2d=True)[0]
        for index, segment in enumerate(cut(source, segment_frames=60_000).segments):
            alone = tmp_path / "alone.flac"
            part = audio[index * 60_000 : (index + 1) * 60_000]
            write_flac(alone, [part], rate_hz=RATE_HZ, channels=2)
            assert segment.read_bytes() == alone.read_bytes()

    @pytest.mark.parametrize("segment_frames", [96_000, 30_011])
    def test_both_meters_read_what_they_read_of_the_whole_copy(self, render, cut, write_wav, segment_frames):
        source = write_wav(0.5 * tones.music_like(5.0, rate_hz=RATE_HZ))
        copy = render(source, gain_db=-2.0)
        found = cut(source, segment_frames=segment_frames, gain_db=-2.0)
        # The whole copy in the blocks that it was rendered in, by the meter that measures everything.
        full = measure(stored_blocks(copy), rate_hz=RATE_HZ, n_channels=2)
        assert found.levels == Levels(full.integrated_lufs, full.true_peak_dbtp)
        assert read_lufs(*found.segments) == read_lufs(copy)

    def test_its_outline_is_that_of_the_copy(self, render, cut, write_wav):
        source = write_wav(0.5 * tones.music_like(5.0, rate_hz=RATE_HZ))
        found = np.frombuffer(cut(source, segment_frames=96_000).outline, np.uint8)
        swing = np.abs(samples(render(source))).max(axis=1)
        bounds = np.arange(481) * len(swing) // 480
        largest = [swing[first:beyond].max() for first, beyond in itertools.pairwise(bounds)]
        assert np.array_equal(found, np.round(255 * np.array(largest)))

    def test_what_breaks_off_leaves_no_segment(self, cut, write_wav, tmp_path):
        audio = tones.sine(997.0, -30.0, 4.0, rate_hz=RATE_HZ)
        audio[150_000:] *= 10 ** (27 / 20)
        with pytest.raises(CopyRefused, match="full scale"):
            cut(write_wav(audio), segment_frames=48_000, gain_db=6.0)
        assert not list((tmp_path / "segments").iterdir())

    @pytest.mark.parametrize("rate_hz", [44_100, 192_000])
    def test_sizes_that_are_hidden_say_nothing_of_the_loudest_noise_nor_of_silence(self, tmp_path, rate_hz):
        """Noise over the whole range is what FLAC can compress least, and silence most."""
        noise = np.random.default_rng(1).uniform(-0.999, 0.999, (3 * rate_hz, 2))
        sizes = []
        for name, audio in (("noise", noise), ("silence", np.zeros_like(noise))):
            files = [tmp_path / f"{name}{index}.flac" for index in range(2)]
            for index, file in enumerate(files):
                part = audio[index * 2 * rate_hz : (index + 1) * 2 * rate_hz]
                write_flac(file, [part], rate_hz=rate_hz, channels=2)
            before = [soundfile.read(file, dtype="int32")[0] for file in files]
            copies.hide_sizes(files, frames=3 * rate_hz, segment_frames=2 * rate_hz)
            for file, sound in zip(files, before, strict=True):
                assert np.array_equal(soundfile.read(file, dtype="int32")[0], sound)
            sizes.append([file.stat().st_size for file in files])
        assert sizes[0] == sizes[1]

    @pytest.mark.needs("flac")
    def test_another_decoder_finds_them_whole(self, cut, write_wav):
        segments = cut(write_wav(tones.noise(-20.0, 1.0, rate_hz=RATE_HZ)), segment_frames=20_000).segments
        assert len(segments) == 3
        subprocess.run(["flac", "--test", "--silent", *map(str, segments)], check=True)
