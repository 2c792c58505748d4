"""What a report holds: the numbers of one mix beside those of a reference mix, ready to be kept as JSON.

Numbers only, None where undefined: what is worth saying about them is decided in `findings`, each time anew.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from academy.practice import thresholds
from analysis.dsp import difference
from analysis.dsp.balance import StemGroup
from analysis.dsp.spectrum import NOMINAL_HZ, ThirdOctaves
from analysis.dsp.stemlevels import StemLevel
from analysis.listening.planning import MONO_IN_TWO_LU
from analysis.measuring.models import Measurement
from analysis.measuring.report_files import FilesCompared, StemCompared

RECIPE = "practice/4"
METER = (
    "integrated_lufs",
    "loudness_range_lu",
    "max_short_term_lufs",
    "max_momentary_lufs",
    "true_peak_dbtp",
    "peak_to_loudness_lu",
    "crest_db",
    "clipped_runs",
    "correlation",
    "mono_loss_db",
)
# BS.1770 adds up the channels: from both loudspeakers a sound is that much louder than its mono file reads.
HEARD_FROM_BOTH = {
    "integrated_lufs": 1,
    "max_short_term_lufs": 1,
    "max_momentary_lufs": 1,
    "peak_to_loudness_lu": -1,
}
WHOLE_SONG = [{"name": "The whole song", "start_s": 0.0}]
DIGITS = 3
LEFT_OUT_DB = -60.0  # as good as nothing, in sums of powers

Found = dict[str, Any]
Sections = Sequence[Mapping[str, Any]]


def compared(
    mix: Measurement,
    reference: Measurement | None,
    files: FilesCompared,
    *,
    stem_names: Sequence[str],
    stem_spectra: Sequence[tuple[Measurement, int]],
    sections: Sections,
) -> Found:
    """Everything that the report keeps. `stem_spectra` holds each stem's measurement and its channels.

    Without a reference, and for silence, what would need one is None or empty.
    """
    found: Found = {
        "meter": _meter(mix),
        "reference_meter": None if reference is None else _meter(reference),
        "offset_s": files.offset_s,
        "offset_is_sure": files.offset_is_sure,
        "reference_offset_s": files.reference_offset_s,
        "polarity": files.polarity,
        "speed": None
        if files.speed is None
        else {"percent": files.speed.percent, "semitones": files.speed.semitones},
        "explained": files.explained,
        "residual_db": files.residual_db,
        "reference_explained": files.reference_explained,
        "width": None,
        "bands": [],
        "sections": [],
        "stems": [],
        "groups": [_group(group, stem_names) for group in files.groups],
    }
    if reference is None:
        found["stems"] = [
            {"name": name, "level": _level(stem.level)}
            for name, stem in zip(stem_names, files.stems, strict=True)
        ]
    else:
        spectra = np.array([_power_spectrum(*spectrum) for spectrum in stem_spectra])
        found |= _beside_the_reference(mix, reference, files, stem_names, spectra, sections)
    return _kept(found)


def _beside_the_reference(
    mix: Measurement,
    reference: Measurement,
    files: FilesCompared,
    stem_names: Sequence[str],
    spectra: NDArray[np.float64],
    sections: Sections,
) -> Found:
    """What needs the reference: width, stems, bands and sections. `spectra` has a row of power for each stem.

    A difference is told where it comes from: what the stem levels alone did is taken out of the width, and
    what they and the width did out of the tone.
    """
    own, theirs = _spectra(mix), _spectra(reference)
    # A stem that is louder at the sides is no width of the mix. What each did is seen in the middle of the
    # image, which a width leaves alone.
    width = difference.width_difference(
        own,
        theirs,
        effect_db=difference.side_effect_db(
            spectra,
            np.array([_db(stem.reference_middle) for stem in files.stems]),
            np.array([_db(stem.reference_side) for stem in files.stems]),
            np.array([_moved_db(stem, _in_the_middle(stem)) for stem in files.stems]),
        ),
    )
    is_bus_width = thresholds.is_bus_width(width)
    told = [_in_the_middle(stem) if is_bus_width else stem.difference for stem in files.stems]
    effect_db = difference.balance_effect_db(
        spectra,
        np.array([_db(stem.reference) for stem in files.stems]),
        np.array([_moved_db(stem, level) for stem, level in zip(files.stems, told, strict=True)]),
    )
    return {
        "width": {
            "db": difference.width_difference(own, theirs).db,
            "own_db": width.db,
            "spread_db": width.spread_db,
            "is_bus_width": is_bus_width,
        },
        "stems": [
            _stem(name, stem, level, sections)
            for name, stem, level in zip(stem_names, files.stems, told, strict=True)
        ],
        "bands": _bands(
            own,
            theirs,
            mix_lufs=_heard_lufs(mix),
            reference_lufs=_heard_lufs(reference),
            tone_db=difference.tone_difference_db(
                own, theirs, effect_db=effect_db, width_db=width.db if is_bus_width else 0.0
            ),
        ),
        "sections": _sections(mix, reference, files, sections or WHOLE_SONG),
    }


def _meter(of: Measurement) -> dict[str, Any]:
    """The meter's numbers; those of a mono file as it is heard, from both loudspeakers."""
    found = {name: getattr(of, name) for name in (*METER, "silent")}
    for name, sign in HEARD_FROM_BOTH.items():
        if found[name] is not None and of.recording.channels == 1:
            found[name] += sign * MONO_IN_TWO_LU
    return found


def _heard_lufs(of: Measurement) -> float:
    return _number(_meter(of)["integrated_lufs"])


def _in_the_middle(stem: StemCompared) -> StemLevel | None:
    """How the stem differs in the middle of the image; as a whole where that is not sure."""
    return stem.middle if stem.middle is not None and stem.middle.is_sure else stem.difference


def _stem(name: str, stem: StemCompared, told: StemLevel | None, sections: Sections) -> dict[str, Any]:
    return {
        "name": name,
        "level": _level(stem.level),
        "reference": _level(stem.reference),
        "difference": _level(told),
        "sections": [
            {"name": section["name"], "difference": _level(level)}
            for section, level in zip(sections, stem.sections, strict=False)
        ],
    }


def _group(group: StemGroup, stem_names: Sequence[str]) -> dict[str, Any]:
    """Stems of which only the sum is told: their names, and the levels of the sum as a stem has them."""
    return {
        "names": [stem_names[at] for at in group.members],
        "level": _level(group.level),
        "reference": _level(group.reference),
        "difference": _level(group.difference),
    }


def _level(level: StemLevel | None) -> dict[str, Any] | None:
    if level is None:
        return None
    return {
        "db": level.db,
        "error_db": level.error_db,
        "confidence": level.confidence,
        "is_sure": level.is_sure,
        "is_absent": level.is_absent,
    }


def _bands(
    mix: ThirdOctaves,
    reference: ThirdOctaves,
    *,
    mix_lufs: float,
    reference_lufs: float,
    tone_db: NDArray[np.float64],
) -> list[dict[str, Any]]:
    columns = {
        "nominal_hz": np.array(NOMINAL_HZ),
        "difference_db": difference.band_difference_db(
            mix, reference, mix_lufs=mix_lufs, reference_lufs=reference_lufs
        ),
        "tone_db": tone_db,
        "side_to_mid_db": difference.side_to_mid_db(mix),
        "reference_side_to_mid_db": difference.side_to_mid_db(reference),
        "correlation": difference.band_correlation(mix),
        "reference_correlation": difference.band_correlation(reference),
    }
    return [
        dict(zip(columns, values, strict=True))
        for values in zip(*(column.tolist() for column in columns.values()), strict=True)
    ]


def _sections(
    mix: Measurement, reference: Measurement, files: FilesCompared, sections: Sections
) -> list[dict[str, Any]]:
    loudness = difference.loudness_by_section(
        _numbers(mix.short_term_lufs),
        _numbers(reference.short_term_lufs),
        mix_lufs=_number(mix.integrated_lufs),
        reference_lufs=_number(reference.integrated_lufs),
        late_s=files.offset_s,
        reference_late_s=files.reference_offset_s,
        starts_s=[section["start_s"] for section in sections],
    )
    return [
        {"name": section["name"], "start_s": section["start_s"], **found._asdict()}
        for section, found in zip(sections, loudness, strict=True)
    ]


def _spectra(of: Measurement) -> ThirdOctaves:
    return ThirdOctaves(
        _numbers(of.third_octave_dbfs),
        _numbers(of.third_octave_mid_dbfs),
        _numbers(of.third_octave_side_dbfs),
    )


def _power_spectrum(stem: Measurement, channels: int) -> NDArray[np.float64]:
    """Power by band over all channels together; silence, which is kept as None, is -inf."""
    return np.nan_to_num(_numbers(stem.third_octave_dbfs), nan=-math.inf) + 10.0 * math.log10(channels)


def _numbers(kept: Sequence[float | None]) -> NDArray[np.float64]:
    """A kept list as numbers. None, which may have been silence or nothing at all, is nan."""
    return np.array([_number(value) for value in kept], dtype=np.float64)


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def _db(level: StemLevel | None) -> float:
    return math.nan if level is None else level.db


def _moved_db(stem: StemCompared, told: StemLevel | None) -> float:
    """What is certainly a difference; nan for what may as well be none and would only add its error.

    A stem that was left out of the mix is down by `LEFT_OUT_DB`.
    """
    if stem.level.is_absent and stem.reference is not None and stem.reference.is_sure:
        return LEFT_OUT_DB
    return told.db if told is not None and abs(told.db) > told.error_db else math.nan


def _kept(value: Any) -> Any:
    """The same, rounded to a thousandth, with None for what is not finite: JSON has no infinity."""
    if isinstance(value, dict):
        return {name: _kept(part) for name, part in value.items()}
    if isinstance(value, list):
        return [_kept(part) for part in value]
    if isinstance(value, float):
        return round(value, DIGITS) if math.isfinite(value) else None
    return value
