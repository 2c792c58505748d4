"""Mixes whose stem levels are known: generated stems through random strips, a room and a bus.

The truth of a stem is the energy of everything that it leaves in the mix before the bus (fader, pan,
equaliser, compressor, room), over its own energy.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fixtures.desk.dynamics import compressed
from fixtures.desk.settings import Compressor, Reverb
from fixtures.desk.space import balanced, panned, reverberated
from fixtures.filters import Band, Floats, filtered

Samples = NDArray[np.float32]

REST_DBFS = -24.0


@dataclass(frozen=True)
class Strip:
    """What one stem goes through. `ride_db` is a slow fader move of that depth, -inf sends are off."""

    gain_db: float = 0.0
    pan: float = 0.0
    eq: tuple[Band, ...] = ()
    send_db: float = -np.inf
    compressor: Compressor | None = None
    ride_db: float = 0.0


@dataclass(frozen=True)
class Desk:
    """One mix: a strip a stem, the room, and the bus compressor."""

    strips: tuple[Strip, ...]
    reverb: Reverb = field(default_factory=Reverb)
    bus: Compressor | None = None


def song(n_stems: int, duration_s: float, *, rate_hz: int, seed: int = 1) -> list[Samples]:
    """Invented stems, each (n, 1) or (n, 2): drums, bass, chords, lines, a double, two microphones on one.

    Each has rests of its own, a room noise at -75 dBFS, and its peak at -6 dBFS.
    """
    rng = np.random.default_rng(seed)
    players = (_hits, _hits, _bass, _chords, _line, _line)
    stems: list[Samples] = []
    for at in range(n_stems):
        if at % 7 == 5:
            stem = _second_microphone(stems[at - 5], rng)
        else:
            stem = players[at % len(players)](round(duration_s * rate_hz), rng, rate_hz=rate_hz)
            if at % 5 == 3:
                stem = _doubled(stem, rng)
        stem = stem + 10 ** (-75 / 20) * rng.standard_normal(stem.shape)
        stems.append(np.asarray(stem * (0.5 / np.abs(stem).max()), np.float32))
    return stems


BEAT_S = 0.5
SCALE_HZ = 55.0 * 2.0 ** (np.array([0, 2, 3, 5, 7, 8, 10]) / 12.0)


def _hits(n: int, rng: np.random.Generator, *, rate_hz: int) -> Floats:
    """Struck skins or metal: falling noise and a falling tone on a pattern of quarter beats."""
    pattern = rng.random(16) < 0.35
    low_hz, high_hz = np.sort(np.exp(rng.uniform(np.log(60), np.log(10_000), 2)))
    noise = filtered(
        rng.standard_normal(n).astype(np.float32),
        (Band("low_cut", float(low_hz)), Band("high_cut", float(max(high_hz, 2 * low_hz)))),
        rate_hz=rate_hz,
    )
    tone_hz, fall_s = float(rng.uniform(50, 250)), float(rng.uniform(0.03, 0.2))
    sound = np.zeros(n)
    step = round(BEAT_S / 4 * rate_hz)
    for number, start in enumerate(range(0, n, step)):
        if not pattern[number % 16]:
            continue
        t = np.arange(min(round(5 * fall_s * rate_hz), n - start)) / rate_hz
        touch = rng.uniform(0.6, 1.0)
        tone = np.sin(2 * np.pi * tone_hz * t)
        sound[start : start + t.size] += touch * np.exp(-t / fall_s) * (noise[start : start + t.size] + tone)
    return sound[:, None]


def _bass(n: int, rng: np.random.Generator, *, rate_hz: int) -> Floats:
    return _notes(n, rng, rate_hz=rate_hz, octave=0, beats=1.0, partials=6, at_once=1)


def _chords(n: int, rng: np.random.Generator, *, rate_hz: int) -> Floats:
    octave = int(rng.integers(1, 3))
    return _notes(n, rng, rate_hz=rate_hz, octave=octave, beats=2.0, partials=8, at_once=3)


def _line(n: int, rng: np.random.Generator, *, rate_hz: int) -> Floats:
    octave = int(rng.integers(2, 4))
    return _notes(n, rng, rate_hz=rate_hz, octave=octave, beats=0.5, partials=10, at_once=1)


def _notes(
    n: int, rng: np.random.Generator, *, rate_hz: int, octave: int, beats: float, partials: int, at_once: int
) -> Floats:
    """Notes of the scale, one length, each with falling partials and a little breath; a third are rests."""
    length = round(beats * BEAT_S * rate_hz)
    t = np.arange(length) / rate_hz
    envelope = (
        np.minimum(1.0, t / 0.01) * np.exp(-t / rng.uniform(0.2, 1.5)) * np.minimum(1, (t[-1] - t) / 0.01)
    )
    sound = np.zeros(n)
    for start in range(0, n - length, length):
        if rng.random() < 0.33:
            continue
        for tone_hz in rng.choice(SCALE_HZ, at_once, replace=False) * 2.0**octave:
            for partial in range(1, partials + 1):
                wave = np.sin(2 * np.pi * (partial * tone_hz * t + rng.random()))
                sound[start : start + length] += envelope * wave / partial**1.2
        sound[start : start + length] += 0.03 * envelope * rng.standard_normal(length)
    return sound[:, None]


def _doubled(stem: Floats, rng: np.random.Generator) -> Floats:
    """The part once more, unsteadily behind: left and right of a stereo stem."""
    lag = rng.integers(300, 900)
    behind = np.roll(stem[:, 0], lag) + 0.3 * np.roll(stem[:, 0], 2 * lag)
    return np.stack([stem[:, 0], behind], axis=1)


def _second_microphone(stem: Floats, rng: np.random.Generator) -> Floats:
    """The same source from farther off: later, duller, with the room's answer and a hiss of its own."""
    later = np.roll(stem[:, 0].astype(np.float64), rng.integers(50, 200))
    room = rng.standard_normal(4_000) * np.exp(-np.arange(4_000) / 1_000.0) * 0.05
    heard = np.convolve(later, np.concatenate(([1.0], room)))[: len(later)]
    dull = np.convolve(heard, [0.25, 0.5, 0.25])[: len(later)]
    return (dull + 0.02 * np.abs(dull).max() * rng.standard_normal(len(dull)))[:, None]


def with_bleed(stems: Sequence[Samples], rng: np.random.Generator, *, rate_hz: int) -> list[Samples]:
    """As if all had played in one room: each stem with all others in it, late, dull and 16 to 26 dB down."""
    middles = [stem.mean(axis=1) for stem in stems]
    dull = [filtered(middle, (Band("high_cut", 5_000.0),), rate_hz=rate_hz) for middle in middles]
    loud = [float(np.sqrt(np.mean(middle**2))) for middle in middles]
    found = []
    for at, stem in enumerate(stems):
        heard = stem.copy()
        for other, sound in enumerate(dull):
            if other != at:
                late = round(float(rng.uniform(0.002, 0.012)) * rate_hz)
                gain = 10 ** (float(rng.uniform(-26, -16)) / 20) * loud[at] / loud[other]
                heard[late:] += np.float32(gain) * sound[:-late, None]
        found.append(heard)
    return found


def random_desk(
    stems: Sequence[Samples], rng: np.random.Generator, *, hard: bool = False, spread_db: float = 5.0
) -> Desk:
    """Random pans, equalisers, sends and 1.5:1 to 4:1 on the bus; `hard` adds strip dynamics.

    The faders make all stems about equally loud first, as somebody who mixes does, then move by chance.
    """

    def strip(stem: Samples) -> Strip:
        kinds = rng.permutation(["low_shelf", "peak", "high_shelf"])[: rng.integers(0, 4)]
        corners_hz = {"low_shelf": (80, 250), "peak": (250, 4000), "high_shelf": (4000, 10000)}
        eq = tuple(
            Band(str(kind), float(np.exp(rng.uniform(*np.log(corners_hz[kind])))), float(rng.uniform(-6, 6)))
            for kind in kinds
        )
        inside = rng.random() < 0.5
        return Strip(
            gain_db=_rest_db(stem) + float(rng.uniform(-spread_db, spread_db)),
            pan=float(rng.uniform(-0.8, 0.8)) if rng.random() < 0.7 else 0.0,
            eq=eq,
            send_db=float(rng.uniform(-24, -12)) if rng.random() < 0.6 else -np.inf,
            compressor=Compressor(float(rng.uniform(-24, -14)), float(rng.uniform(2, 4)))
            if hard and inside
            else None,
            ride_db=float(rng.uniform(0, 3)) if hard and rng.random() < 0.5 else 0.0,
        )

    return Desk(
        strips=tuple(strip(stem) for stem in stems),
        reverb=Reverb(decay_s=float(rng.uniform(0.8, 2.2)), predelay_s=float(rng.uniform(0.0, 0.03))),
        bus=Compressor(
            float(rng.uniform(-16, -8)),
            float(rng.uniform(1.5, 4)),
            attack_s=float(rng.uniform(0.005, 0.03)),
            release_s=float(rng.uniform(0.08, 0.3)),
        ),
    )


def _rest_db(stem: Samples) -> float:
    """The gain that brings what a stem does while it sounds most of the way to `REST_DBFS`."""
    power = np.sort((stem.astype(float) ** 2).mean(axis=1))[len(stem) // 2 :]
    return float(0.8 * (REST_DBFS - 10 * np.log10(power.mean())))


def mixdown(stems: Sequence[Samples], desk: Desk, *, rate_hz: int) -> tuple[Samples, NDArray[np.float64]]:
    """Mix `stems`, each (n, 1 or 2): the mix, (n, 2), peak at -1 dBFS, and each stem's true level in dB."""
    total = np.zeros((2, len(stems[0])), np.float32)
    levels_db = []
    for stem, strip in zip(stems, desk.strips, strict=True):
        sound = _through(stem, strip, desk.reverb, rate_hz=rate_hz)
        levels_db.append(10 * np.log10(np.sum(sound**2, dtype=float) / np.sum(stem**2, dtype=float)))
        total += sound
    if desk.bus is not None:
        total = total * np.float32(0.25 / np.sqrt(np.mean(total**2)) / 2)
        total = compressed(total, desk.bus, rate_hz=rate_hz)
    return np.ascontiguousarray((total * (0.891 / np.abs(total).max())).T), np.array(levels_db)


def sum_level_db(stems: Sequence[Samples], desk: Desk, members: Sequence[int], *, rate_hz: int) -> float:
    """The true level in dB of the sum of some stems: over their plain sum, mono ones in both channels."""
    heard = sum(_through(stems[at], desk.strips[at], desk.reverb, rate_hz=rate_hz) for at in members)
    plain = sum(
        stems[at] if stems[at].shape[1] == 2 else np.repeat(stems[at] / np.float32(np.sqrt(2)), 2, axis=1)
        for at in members
    )
    return float(10 * np.log10(np.sum(np.square(heard, dtype=float)) / np.sum(np.square(plain, dtype=float))))


def _through(stem: Samples, strip: Strip, reverb: Reverb, *, rate_hz: int) -> Samples:
    audio = np.stack([filtered(channel, strip.eq, rate_hz=rate_hz) for channel in stem.T.astype(np.float32)])
    if strip.compressor is not None:
        audio = audio * np.float32(0.5 / np.abs(audio).max())
        audio = compressed(audio, strip.compressor, rate_hz=rate_hz)
    stereo = panned(audio[0], strip.pan) if len(audio) == 1 else balanced(audio, strip.pan)
    n = stereo.shape[1]
    ride_db = strip.ride_db * np.sin(2 * np.pi * np.arange(n) / (n / 2.5))
    stereo = stereo * (10 ** ((strip.gain_db + ride_db) / 20)).astype(np.float32)
    if np.isfinite(strip.send_db):
        send = stereo.sum(axis=0) * np.float32(10 ** (strip.send_db / 20) / np.sqrt(2))
        stereo = stereo + reverberated(send, reverb, rate_hz=rate_hz)
    return np.asarray(stereo, np.float32)
