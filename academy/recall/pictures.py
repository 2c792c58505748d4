"""The pictures that a device's settings suffice for, each with its table, its source and what it assumes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from functools import partial

import numpy as np

from academy.recall.chain import Device, EqBand, Kind, Nature, Path, Sheet, Side
from academy.recall.drawing import (
    BOTTOM,
    LEFT,
    RIGHT,
    TOP,
    Axis,
    Curve,
    Line,
    Mark,
    Picture,
    Rule,
    Table,
    path_of,
    rules_of,
)
from academy.recall.implying import (
    HIGHEST_HZ,
    LOWEST_HZ,
    Filtering,
    Levels,
    Timing,
    frequencies_hz,
    levels_of,
    response_of,
    side_chain_of,
    timing_of,
    total_of,
)
from academy.recall.numbers import hertz
from academy.templatetags.audio_text import NO_BREAK, db, number
from analysis.dsp.curves.dynamics import (
    Compression,
    Expansion,
    Step,
    compressed_db,
    expanded_db,
    level_reduced_by_db,
    step_response,
)

OCTAVES_HZ = (16.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1_000.0, 2_000.0, 4_000.0, 8_000.0, 16_000.0)
RULED_HZ = {20.0: "20", 100.0: "100", 1_000.0: "1k", 10_000.0: "10k"}
SPANS_DB = (3.0, 6.0, 12.0, 24.0)
BELOW_THRESHOLD_DB, ABOVE_THRESHOLD_DB, LEVEL_RULE_DB = 30.0, 20.0, 10.0
SHOWN_OVER_DB = 10.0
"""How far over the threshold the step goes where the sheet names no reduction. Common practice, no source."""
TIMES_SHOWN = 4.0  # in time constants: 98 % of the way
LOUD_SHARE = 0.42  # of the width: a release is longer to look at than an attack
TIMES_NOTE = (
    "Attack and release are drawn as the times to 63 % of the way (1 − 1/e); makers state theirs to other "
    "shares. The two halves have time scales of their own."
)

COOKBOOK = "Shapes: Audio EQ Cookbook (W3C Working Group Note, 2021), Butterworth filters for steeper slopes"
PAPER = "Giannoulis, Massberg and Reiss, J. Audio Eng. Soc. 60(6), 2012"


def pictures_of(device: Device, *, rate_hz: int) -> list[Picture]:
    """Every picture that a device's settings suffice for; none where they do not."""
    own = partial(response_of, device, rate_hz=rate_hz)
    heard = partial(side_chain_of, device, rate_hz=rate_hz)
    ear = [inner for insert in device.inserts if insert.path is Path.SIDE_CHAIN for inner in insert.devices]
    listening = "What the de-esser listens to" if device.kind is Kind.DE_ESSER else "Side-chain response"
    levels, timing = levels_of(device), timing_of(device)
    found = [
        _response("Response", own, [device], _made([device], rate_hz)),
        _response(listening, heard, [device, *ear], _made([device, *ear], rate_hz)),
        _levels(levels) if levels else None,
        _step(timing, levels) if timing else None,
    ]
    return [picture for picture in found if picture]


def total_picture(sheet: Sheet) -> Picture | None:
    """The chain's equalisers and filters added up; None with fewer than two of them, or nothing to add."""
    active = [device for device in sheet.devices if not device.is_bypassed]
    counted = [device for device in active if response_of(device, rate_hz=sheet.rate_hz)]
    if len(counted) < 2:
        return None
    total = partial(total_of, counted, rate_hz=sheet.rate_hz)
    said = f"{len(counted)} devices in a row, {_made(counted, sheet.rate_hz)}"
    if len(active) < len(sheet.devices):
        said += "; what is bypassed is left out"
    return _response("All equalisers of the chain together", total, counted, said)


def _made(devices: list[Device], rate_hz: int) -> str:
    analogue = "analogue, as the circuit has it"
    sampled = f"sampled at {rate_hz / 1000:g}{NO_BREAK}kHz by the bilinear transform"
    natures = {device.nature for device in devices}
    if len(natures) > 1:
        return f"hardware {analogue}, software {sampled}"
    return analogue if Nature.HARDWARE in natures else sampled


def _read_hz(devices: Iterable[Device]) -> Curve:
    """Where the table reads: octaves, and every frequency that a band names."""
    named = [
        hertz(value.frequency)
        for device in devices
        for setting in device.settings
        for _, value in setting.values
        if isinstance(value, EqBand)
    ]
    return np.array(sorted({*OCTAVES_HZ, *named}))


def _response(
    title: str, level_at: Callable[..., Filtering | None], devices: list[Device], made: str
) -> Picture | None:
    """A response, read by `level_at(at_hz=…)`; None where it reads nothing."""
    at_hz, read_hz = frequencies_hz(), _read_hz(devices)
    shown, read = level_at(at_hz=at_hz), level_at(at_hz=read_hz)
    if shown is None or read is None:
        return None
    highest, lowest = _extent(shown.curves.values())
    across = Axis(math.log(LOWEST_HZ), math.log(HIGHEST_HZ), LEFT, RIGHT)
    up = Axis(lowest, highest, BOTTOM, TOP)
    step = 3.0 if highest - lowest <= 12 else 6.0
    return Picture(
        title=title,
        across="Frequency in Hz",
        up="Level in dB",
        lines=[
            Line(_side_words(side), path_of(np.log(at_hz), curve, across, up), at)
            for at, (side, curve) in enumerate(shown.curves.items(), start=1)
        ],
        columns=_frequency_rules(across),
        rows=rules_of(lowest, highest, step, up),
        table=Table(
            ["Frequency", *(_side_words(side) or "Level" for side in read.curves)],
            [
                [_hz(hz), *(_gain(curve[at]) for curve in read.curves.values())]
                for at, hz in enumerate(read_hz)
            ],
        ),
        source=f"{COOKBOOK}; {made}.",
        notes=shown.notes,
    )


def _levels(levels: Levels) -> Picture:
    first = next(iter(levels.settings.values()))
    threshold = first.threshold_db
    low, high = threshold - BELOW_THRESHOLD_DB, threshold + ABOVE_THRESHOLD_DB
    if levels.unit in {"dBFS", "dBTP"}:
        high = max(threshold, min(high, 0.0))
    goes_in = np.linspace(low, high, 201)
    comes_out = {side: _out(goes_in, settings) for side, settings in levels.settings.items()}
    across = Axis(low, high, LEFT, RIGHT)
    up = Axis(low, high, BOTTOM, TOP)
    marked = _marked(levels)
    marks = []
    for at, (level_db, out_db, words) in enumerate(marked):
        if low <= level_db <= high:
            x, y = round(across.place(level_db), 1), round(up.place(out_db), 1)
            marks.append(Mark(x, y, words, is_above=at == 0 and len(marked) > 1))
    read = np.array(
        sorted({*np.arange(math.ceil(low / 5) * 5, high + 0.1, 5), threshold, *(mark[0] for mark in marked)})
    )
    unit = f"{levels.unit} over the threshold" if levels.is_relative else levels.unit
    rules = rules_of(low, high, LEVEL_RULE_DB, up)
    return Picture(
        title="Level in and level out",
        across=f"In, {unit}",
        up=f"Out, {levels.unit}",
        lines=[
            Line("no change", path_of(np.array([low, high]), np.array([low, high]), across, up), 0),
            *(
                Line(_side_words(side), path_of(goes_in, curve, across, up), at)
                for at, (side, curve) in enumerate(comes_out.items(), start=1)
            ),
        ],
        columns=rules_of(low, high, LEVEL_RULE_DB, across),
        rows=rules,
        table=_level_table(read, levels),
        source=f"Static curve: {PAPER}, equation (4)"
        + (", mirrored." if isinstance(first, Expansion) else "."),
        marks=marks,
        notes=levels.notes,
    )


def _marked(levels: Levels) -> list[tuple[float, float, str]]:
    """Level in, level out and words of each reduction that the sheet names, the lowest level first."""
    found = []
    for side, reductions_db in levels.marks_db.items():
        settings = levels.settings.get(side) or next(iter(levels.settings.values()))
        if isinstance(settings, Compression) and settings.ratio > 1:
            for reduction_db in reductions_db:
                level_db = level_reduced_by_db(reduction_db, settings)
                out_db = float(compressed_db(np.array([level_db]), settings)[0])
                words = f"{_side_words(side)} {number(reduction_db, 1)}{NO_BREAK}dB".strip()
                found.append((level_db, out_db, words))
    return sorted(found)


def _level_table(read: Curve, levels: Levels) -> Table:
    head, columns = [f"In, {levels.unit}"], []
    for side, settings in levels.settings.items():
        words = _side_words(side)
        out = _out(read, settings)
        head += [_sentence(f"{words} out"), _sentence(f"{words} reduction")]
        columns.append((out, read + settings.make_up_db - out))
    rows = []
    for at, level in enumerate(read):
        row = [number(level, 1)]
        for out, reduction in columns:
            row += ["silence" if math.isinf(out[at]) else number(out[at], 1), _reduction(reduction[at])]
        rows.append(row)
    return Table(head, rows)


def _step(timing: Timing, levels: Levels | None) -> Picture:
    steadies = _steadies(timing, levels)
    is_share = steadies is None
    steadies = steadies or dict.fromkeys(timing.times_s, 100.0)
    times_s = {side: timing.times_s.get(side) or timing.times_s[Side.BOTH] for side in steadies}
    held_s = TIMES_SHOWN * max(attack for attack, _ in times_s.values())
    after_s = TIMES_SHOWN * max(release for _, release in times_s.values())
    steps = {
        side: step_response(
            steady_db=steadies[side], attack_s=attack, release_s=release, held_s=held_s, after_s=after_s
        )
        for side, (attack, release) in times_s.items()
    }
    highest = max(steadies.values()) * 1.1
    across, up = Axis(0, 1, LEFT, RIGHT), Axis(0, highest, TOP, BOTTOM)

    def halves(time_s: Curve) -> Curve:
        """Each half on its own scale."""
        return np.interp(time_s, [0.0, held_s, held_s + after_s], [0.0, LOUD_SHARE, 1.0])

    def rule(time_s: float, words: str, *, is_strong: bool = False, anchor: str = "middle") -> Rule:
        return Rule(round(across.place(float(halves(np.array(time_s)))), 1), words, is_strong, anchor)

    attack_s, release_s = held_s / TIMES_SHOWN, after_s / TIMES_SHOWN
    return Picture(
        title="Reduction after a jump in level",
        across="Time: while it is loud, then after",
        up="Reduction, % of the way" if is_share else "Reduction in dB",
        lines=[
            Line(_side_words(side), path_of(halves(step.time_s), step.reduction_db, across, up), at)
            for at, (side, step) in enumerate(steps.items(), start=1)
        ],
        columns=[
            rule(attack_s, _time(attack_s)),
            rule(held_s, _time(held_s), is_strong=True),
            rule(held_s + release_s, f"+{_time(release_s)}", anchor="start"),
        ],
        rows=rules_of(0, highest, _nice(highest / 4), up),
        table=_step_table(steps, times_s, held_s, is_share=is_share),
        source=f"Smooth, branching detector: {PAPER}, equations (14) to (17), time constants by (7).",
        notes=[_jump(levels, is_share=is_share), TIMES_NOTE],
    )


def _step_table(
    steps: dict[Side, Step], times_s: dict[Side, tuple[float, float]], held_s: float, *, is_share: bool
) -> Table:
    rows = []
    for side, step in steps.items():
        attack_s, release_s = times_s[side]
        for words, time_s in (
            ("after the attack time", attack_s),
            ("at the end of the loud part", held_s),
            ("after the release time", held_s + release_s),
        ):
            value = float(np.interp(time_s, step.time_s, step.reduction_db))
            said = _share(value) if is_share else _reduction(value)
            rows.append([_sentence(f"{_side_words(side)} {words}"), _time(time_s), said])
    return Table(["When", "Time", "Reduction"], rows)


def _jump(levels: Levels | None, *, is_share: bool) -> str:
    if is_share:
        return "The settings do not say how much is reduced, so its share is drawn."
    if levels and levels.marks_db:
        return "The level jumps to where the sheet’s own reduction is reached, stays, and falls back."
    return f"The level jumps to {SHOWN_OVER_DB:g} dB over the threshold, stays, and falls back."


def _steadies(timing: Timing, levels: Levels | None) -> dict[Side, float] | None:
    """The reduction that the jump asks for, a channel each where they differ; None where no settings say."""
    if levels is None:
        return None
    named = {side: max(marks) for side, marks in levels.marks_db.items() if marks}
    if named and (len(named) > 1 or set(timing.times_s) == {Side.BOTH}):
        return named
    settings = next(iter(levels.settings.values()))
    if len(levels.settings) > 1 or not isinstance(settings, Compression) or settings.ratio == 1:
        return None
    steady_db = max(named.values(), default=SHOWN_OVER_DB * (1 - 1 / settings.ratio))
    return dict.fromkeys(timing.times_s, steady_db)


def _out(levels_db: Curve, settings: Compression | Expansion) -> Curve:
    if isinstance(settings, Compression):
        return compressed_db(levels_db, settings)
    return expanded_db(levels_db, settings)


def _extent(curves: Iterable[Curve]) -> tuple[float, float]:
    """The highest and lowest level of the picture: all of the curves, as far as 24 dB either way."""
    finite = np.concatenate([curve[np.isfinite(curve)] for curve in curves])
    highest, lowest = float(finite.max()), float(finite.min())
    top = next((span for span in SPANS_DB if highest <= span * 0.99), SPANS_DB[-1])
    bottom = next((span for span in SPANS_DB if -lowest <= span * 0.99), SPANS_DB[-1])
    return max(top, bottom / 4), -max(bottom, top / 4)


def _frequency_rules(across: Axis) -> list[Rule]:
    return [Rule(round(across.place(math.log(hz)), 1), label) for hz, label in RULED_HZ.items()]


def _nice(about: float) -> float:
    """A round step near a length: 1, 2 or 5 of a power of ten."""
    power = 10.0 ** math.floor(math.log10(about))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= about * 0.999)


def _side_words(side: Side) -> str:
    return "" if side is Side.BOTH else side.value


def _sentence(words: str) -> str:
    return words.strip().capitalize()


def _hz(hz: float) -> str:
    return f"{hz / 1000:g}{NO_BREAK}kHz" if hz >= 1_000 else f"{hz:g}{NO_BREAK}Hz"


def _gain(level: float) -> str:
    if math.isnan(level):
        return "nothing there"
    return "nothing passes" if math.isinf(level) else db(level, 2)


def _reduction(value: float) -> str:
    return "shut" if math.isinf(value) else f"{number(value, 2)}{NO_BREAK}dB"


def _share(value: float) -> str:
    return f"{number(value, 0)}{NO_BREAK}%"


def _time(time_s: float) -> str:
    return f"{time_s:.3g}{NO_BREAK}s" if time_s >= 1 else f"{time_s * 1000:.3g}{NO_BREAK}ms"
