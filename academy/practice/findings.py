"""What is worth saying about a report, in plain words, the most audible first. Pure: numbers in, words out.

Never a mark: a finding says how a mix differs from one reference mix and what could be tried, nothing more.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from academy.practice import bands, thresholds
from academy.practice.comparing import Found
from academy.templatetags.audio_text import NO_BREAK, db, dbtp, duration, lu, lufs, number
from analysis.dsp import difference

# What is heard comes before what only a meter or a session shows: a score below 1 puts it last.
UNHEARD_SCORE = 0.5
SPEED_SCORE = 100.0


@dataclass(frozen=True)
class Finding:
    """One difference: what kind, how many times its threshold it is, and two sentences."""

    kind: str
    score: float
    sentence: str
    advice: str


def findings_of(found: Found) -> list[Finding]:
    """Everything that passes its threshold, the most audible first. Empty where nothing does."""
    told = list(_speed(found))
    if told:  # then the rest is measured against the wrong moments
        return told
    for look in (_loudness, _width, _stems, _tone, _sections, _dynamics, _opposed):
        told += look(found)
    for look in (_clipping, _true_peak, _start, _polarity, _unexplained):
        told += look(found)
    return sorted(told, key=lambda finding: -finding.score)


def unsure_stems(found: Found) -> list[str]:
    """The names of the stems of whose difference nothing is certain, not even in a sum with others."""
    in_sums = {name for group in _told_groups(found) for name in group["names"]}
    return [
        stem["name"]
        for stem in found["stems"]
        if stem.get("difference")
        and not stem["difference"]["is_sure"]
        and not _is_missing(stem)
        and stem["name"] not in in_sums
    ]


def sums_told(found: Found) -> list[str]:
    """A sentence for each group of stems that sound too much alike, about how their sum differs."""
    return [
        f"{_listed(group['names'])} sound too much alike in the mix to be told apart. Only their sum is "
        f"certain: {_sum_differs(group['difference'])}."
        for group in _told_groups(found)
    ]


def _told_groups(found: Found) -> list[dict[str, Any]]:
    """The groups whose sum is sure while a stem in it is not."""
    if found["width"] is None or found["width"]["is_bus_width"]:
        return []  # then stems are compared in the middle of the image, which says nothing of sums
    unsure = {stem["name"] for stem in found["stems"] if not stem["difference"]["is_sure"]}
    return [
        group
        for group in found.get("groups", [])  # reports of practice/2 have none
        if group["difference"]["is_sure"] and not unsure.isdisjoint(group["names"])
    ]


def _sum_differs(difference: dict[str, Any]) -> str:
    bounds = f"give or take {_plain_db(difference['error_db'])}"
    if abs(difference["db"]) <= difference["error_db"]:
        return f"it sits against the rest as in the reference, {bounds}"
    lower = "higher" if difference["db"] > 0 else "lower"
    return f"it sits {_plain_db(difference['db'])} {lower} against the rest than in the reference, {bounds}"


def _listed(names: Sequence[str]) -> str:
    quoted = [f"“{name}”" for name in names]
    return f"{', '.join(quoted[:-1])} and {quoted[-1]}"


def _speed(found: Found) -> Iterator[Finding]:
    speed = found["speed"]
    if speed is None:
        return
    fast, high = ("fast", "high") if speed["percent"] > 0 else ("slow", "low")
    yield Finding(
        "speed",
        SPEED_SCORE,
        f"The whole mix plays {number(abs(speed['percent']), 1)}% too {fast} and "
        f"{number(abs(speed['semitones']), 1)} semitones too {high}.",
        "That happens when a session at one sample rate is taken for another. Set it to the rate of the "
        "stems, check that they play at their own pitch there, and export again: until then nothing else can "
        "be compared.",
    )


def _loudness(found: Found) -> Iterator[Finding]:
    own, reference = found["meter"], found["reference_meter"]
    more_lu = _less(own, reference, "integrated_lufs")
    if more_lu is None or abs(more_lu) < thresholds.LOUDNESS_LU:
        return
    is_louder = more_lu > 0
    sentence = (
        f"The mix as a whole is {lu(abs(more_lu))} {'louder' if is_louder else 'softer'} than the reference: "
        f"{lufs(own['integrated_lufs'])} against {lufs(reference['integrated_lufs'])}."
    )
    peaks_lu = _less(own, reference, "peak_to_loudness_lu")
    if peaks_lu is not None and is_louder and peaks_lu <= -thresholds.LOUDNESS_LU:
        sentence += f" Its peaks stand {lu(-peaks_lu)} less above its loudness, so limiting paid for it."
    advice = (
        "Every other number here is taken at equal loudness, and so is what you hear in the booth. Take the "
        "output limiter off and listen to what the drums gain."
        if is_louder
        else "Nothing is lost by that: every other number here is taken at equal loudness. It matters only "
        "when mixes are handed over."
    )
    yield Finding("loudness", abs(more_lu) / thresholds.LOUDNESS_LU, sentence, advice)


def _width(found: Found) -> Iterator[Finding]:
    width = found["width"]
    if width is None:
        return
    if width["db"] is None:
        yield from _mono(found)
        return
    own_db = width.get("own_db", width["db"])  # reports of practice/1 hold the whole of it only
    if own_db is None or abs(own_db) < thresholds.WIDTH_DB:
        return
    is_wider = own_db > 0
    own, reference = found["meter"]["correlation"], found["reference_meter"]["correlation"]
    everywhere = ", about equally at all frequencies" if width["is_bus_width"] else ""
    sentence = (
        f"The image is {'wider' if is_wider else 'narrower'} than in the reference: what lies at the sides "
        f"stands {_plain_db(own_db)} {'higher' if is_wider else 'lower'} against the middle{everywhere}, "
        f"beyond what the stem levels account for. Left and right correlate by {number(own)} instead of "
        f"{number(reference)}."
    )
    advice = (
        "Listen in mono: what disappears was held by width alone. Pan fewer things all the way out, or take "
        "back a widener."
        if is_wider
        else "Look for a width control or a mono switch on the bus first, then at how far the guitars, the "
        "pads and the overheads are panned."
    )
    yield Finding("width", abs(own_db) / thresholds.WIDTH_DB, sentence, advice)


def _mono(found: Found) -> Iterator[Finding]:
    if found["meter"]["correlation"] != 1.0 or found["reference_meter"]["correlation"] == 1.0:
        return
    yield Finding(
        "width",
        SPEED_SCORE / 2,
        "The mix is mono: left and right are the same. The reference is stereo.",
        "Check that the export is stereo and that no mono switch was left on.",
    )


def _stems(found: Found) -> Iterator[Finding]:
    for stem in found["stems"]:
        if _is_missing(stem):
            yield Finding(
                "stem",
                SPEED_SCORE / 4,
                f"“{stem['name']}” is in the reference but was not found in your mix.",
                "Look for a muted channel, or a fader that was left down.",
            )
            continue
        level = stem.get("difference")
        if level is None or not level["is_sure"]:
            continue
        more_db, error_db = level["db"], level["error_db"]
        is_told = abs(more_db) >= thresholds.STEM_DB and abs(more_db) - error_db >= thresholds.STEM_SURELY_DB
        if is_told:
            yield _stem(stem, more_db, error_db)


def _stem(stem: dict[str, Any], more_db: float, error_db: float) -> Finding:
    lower = "higher" if more_db > 0 else "lower"
    sentence = (
        f"“{stem['name']}” sits {_plain_db(more_db)} {lower} against the rest than in the reference "
        f"(give or take {_plain_db(error_db)}){_where_mostly(stem)}."
    )
    move = "down" if more_db > 0 else "up"
    advice = (
        f"Bring it {move} by half of that and compare again in the booth. If you meant it, leave it: ask "
        "yourself what it gives the song."
    )
    return Finding("stem", abs(more_db) / thresholds.STEM_DB, sentence, advice)


def _where_mostly(stem: dict[str, Any]) -> str:
    """`, mostly in Verse 2`: the section that differs clearly more than the whole, if there is one."""
    whole_db = stem["difference"]["db"]
    sign = math.copysign(1.0, whole_db)
    sure = [
        (sign * section["difference"]["db"], section["name"])
        for section in stem.get("sections", ())
        if section["difference"] and section["difference"]["is_sure"]
    ]
    if len(sure) < 2:
        return ""
    most_db, name = max(sure)
    return f", mostly in {name}" if most_db - abs(whole_db) >= thresholds.SECTION_STEM_DB else ""


def _is_missing(stem: dict[str, Any]) -> bool:
    reference = stem.get("reference")
    return bool(reference and stem["level"]["is_absent"] and reference["is_sure"])


def _tone(found: Found) -> Iterator[Finding]:
    if not found["bands"]:
        return
    hz = _column(found, "nominal_hz")
    tone_db = np.where(hz >= thresholds.LOWEST_TOLD_HZ, _column(found, "tone_db"), math.nan)
    tilt_db = difference.tilt_db(tone_db)
    places = difference.regions(
        tone_db - tilt_db,
        least_db=thresholds.PLACE_DB,
        edge_db=thresholds.PLACE_EDGE_DB,
    )
    for place in places:
        yield _place(hz, place)
    ranges = difference.regions(tilt_db, least_db=thresholds.RANGE_DB, edge_db=thresholds.RANGE_DB / 2.0)
    for place in ranges:
        yield _range(hz, place)


def _place(hz: NDArray[np.float64], place: difference.Region) -> Finding:
    centre_hz, is_more = float(hz[place.peak]), place.db > 0
    where = bands.frequency(centre_hz)
    if place.first != place.last:
        where = f"{bands.frequency(float(hz[place.first]))} to {bands.frequency(float(hz[place.last]))}"
    sentence = (
        f"Around {where} ({bands.name_of(float(hz[place.first]))}) your mix has {_plain_db(place.db)} "
        f"{'more' if is_more else 'less'} than the reference, beyond what the stem levels account for."
    )
    feel = bands.feel_of(centre_hz, is_more=is_more)
    advice = (
        f"That can be heard as {feel}. A bell there on the bus, {'cutting' if is_more else 'lifting'} a "
        "little, tells you whether you mind; then look for the one stem that it comes from."
    )
    return Finding("tone", abs(place.db) / thresholds.PLACE_DB, sentence, advice)


def _range(hz: NDArray[np.float64], place: difference.Region) -> Finding:
    low_hz, high_hz, is_more = float(hz[place.first]), float(hz[place.last]), place.db > 0
    names = bands.name_of(low_hz)
    if bands.name_of(high_hz) != names:
        names += f" to {bands.name_of(high_hz)}"
    sentence = (
        f"From {bands.frequency(low_hz)} to {bands.frequency(high_hz)} ({names}) your mix has up to "
        f"{_plain_db(place.db)} {'more' if is_more else 'less'} than the reference, beyond what the stem "
        "levels account for."
    )
    centre_hz = float(hz[place.peak])
    advice = (
        f"That can be heard as {bands.feel_of(centre_hz, is_more=is_more)}. Compare in the booth before you "
        "reach for an equaliser: your loudspeakers and your room may be telling you something else."
    )
    return Finding("tone", abs(place.db) / thresholds.RANGE_DB, sentence, advice)


def _sections(found: Found) -> Iterator[Finding]:
    if len(found["sections"]) < 2:
        return
    for section in found["sections"]:
        more_lu = section["difference_lu"]
        if more_lu is None or abs(more_lu) < thresholds.SECTION_LU:
            continue
        yield Finding(
            "section",
            abs(more_lu) / thresholds.SECTION_LU,
            f"{section['name']} (from {duration(section['start_s'], 0)}) is {lu(abs(more_lu))} "
            f"{'louder' if more_lu > 0 else 'softer'} against the rest of the song than in the reference.",
            "Think of how the song should grow from part to part, and ride what carries this section.",
        )


def _dynamics(found: Found) -> Iterator[Finding]:
    own, reference = found["meter"], found["reference_meter"]
    more_lu = _less(own, reference, "peak_to_loudness_lu")
    louder_lu = _less(own, reference, "integrated_lufs") or 0.0
    # Louder by as much as the peaks lost is one thing, and `_loudness` has told it.
    if (
        more_lu is not None
        and abs(more_lu) >= thresholds.PEAK_TO_LOUDNESS_LU
        and abs(more_lu + louder_lu) >= thresholds.LOUDNESS_LU
    ):
        yield Finding(
            "dynamics",
            abs(more_lu) / thresholds.PEAK_TO_LOUDNESS_LU,
            f"Peaks stand {lu(abs(more_lu))} {'further' if more_lu > 0 else 'less'} above the loudness than "
            f"in the reference ({lu(own['peak_to_loudness_lu'])} against "
            f"{lu(reference['peak_to_loudness_lu'])}).",
            "Compare the drums in the booth: do they hit, or do they sit in the mix?",
        )
    range_lu = _less(own, reference, "loudness_range_lu")
    if range_lu is not None and abs(range_lu) >= thresholds.RANGE_LU:
        yield Finding(
            "range",
            abs(range_lu) / thresholds.RANGE_LU,
            f"Soft and loud parts lie {lu(abs(range_lu))} "
            f"{'further apart' if range_lu > 0 else 'closer together'} than in the reference (a "
            f"loudness range of {lu(own['loudness_range_lu'])} against "
            f"{lu(reference['loudness_range_lu'])}).",
            "Listen to the step from a verse into a chorus in both.",
        )


def _opposed(found: Found) -> Iterator[Finding]:
    if not found["bands"]:
        return
    heard = np.isfinite(_column(found, "difference_db"))
    own, reference = _column(found, "correlation"), _column(found, "reference_correlation")
    opposed = heard & (own <= thresholds.OPPOSED_CORRELATION) & (reference > 0)
    if np.count_nonzero(opposed) < thresholds.OPPOSED_BANDS:
        return
    hz = _column(found, "nominal_hz")[opposed]
    yield Finding(
        "opposed",
        1.0,
        f"Between {bands.frequency(hz[0])} and {bands.frequency(hz[-1])} left and right work against each "
        "other; in the reference they do not. In mono that range gets softer.",
        "Listen in mono, and look for a widener or a delay between the sides.",
    )


def _clipping(found: Found) -> Iterator[Finding]:
    runs = found["meter"]["clipped_runs"] or 0
    before = (found["reference_meter"] or {}).get("clipped_runs") or 0
    if runs - before < thresholds.CLIPPED_RUNS:
        return
    yield Finding(
        "clipping",
        1.0,
        f"The waveform is cut off at full scale {runs} {'times' if runs > 1 else 'time'}.",
        "Lower the output until the meter stays below full scale, or put a limiter last.",
    )


def _true_peak(found: Found) -> Iterator[Finding]:
    peak_dbtp = found["meter"]["true_peak_dbtp"]
    limit_dbtp = thresholds.TRUE_PEAK_DBTP + thresholds.TRUE_PEAK_TOLERANCE_DB
    if peak_dbtp is None or peak_dbtp <= limit_dbtp:
        return
    yield Finding(
        "true_peak",
        UNHEARD_SCORE,
        f"The true peak is {dbtp(peak_dbtp)}; above {dbtp(thresholds.TRUE_PEAK_DBTP)} a coder may clip.",
        f"Lower the output by {_plain_db(peak_dbtp - thresholds.TRUE_PEAK_DBTP)}.",
    )


def _start(found: Found) -> Iterator[Finding]:
    offset_s = found["offset_s"]
    if not found["offset_is_sure"] or abs(offset_s) < thresholds.OFFSET_S:
        return
    late = "later" if offset_s > 0 else "earlier"
    amount = (
        f"{number(abs(offset_s) * 1000, 1)}{NO_BREAK}ms"
        if abs(offset_s) < 1
        else f"{number(abs(offset_s), 2)}{NO_BREAK}s"
    )
    yield Finding(
        "start",
        UNHEARD_SCORE,
        f"The file starts {amount} {late} than the stems. In the booth it is put right.",
        "Export from the same start as the stems. A few milliseconds usually come from outboard hardware.",
    )


def _polarity(found: Found) -> Iterator[Finding]:
    if found["polarity"] != -1:
        return
    yield Finding(
        "polarity",
        UNHEARD_SCORE,
        "The polarity is turned over: the waveform is upside down against the stems. In the booth it is put "
        "right.",
        "Look for a polarity switch on the bus, or one cable too many.",
    )


def _unexplained(found: Found) -> Iterator[Finding]:
    own, reference = found["explained"], found.get("reference_explained")
    if own is None or reference is None or reference - own < thresholds.UNEXPLAINED:
        return
    yield Finding(
        "unexplained",
        (reference - own) / thresholds.UNEXPLAINED * UNHEARD_SCORE,
        f"The stems account for {number(own * 100, 0)}% of your mix, and for {number(reference * 100, 0)}% "
        "of the reference.",
        "Heavy effects, distortion or sounds that are not in the pack do that. Nothing is wrong with it.",
    )


def _less(own: dict[str, Any], reference: dict[str, Any] | None, name: str) -> float | None:
    """The own number less the reference's; None where either is missing."""
    if reference is None or own[name] is None or reference[name] is None:
        return None
    return float(own[name] - reference[name])


def _column(found: Found, name: str) -> NDArray[np.float64]:
    return np.array([math.nan if band[name] is None else band[name] for band in found["bands"]])


def _plain_db(value_db: float) -> str:
    """An amount without a sign: the sentence says which way."""
    return db(abs(value_db)).removeprefix("+")
