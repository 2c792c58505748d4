"""From where on a difference is told. Each line names its source, or says that it has none.

A threshold is no rule for mixing: below it most listeners would hear little or nothing in a comparison at
equal loudness. What is told is ordered by how many times its threshold it is.
"""

from __future__ import annotations

from analysis.dsp.difference import Width

# Level. The smallest step in level that is heard is 0.5 to 1 dB for broad-band sounds (B. C. J. Moore, "An
# Introduction to the Psychology of Hearing", chapter on loudness; value from memory). A part inside a mix is
# masked by the others, so that more is needed: common practice, no source.
STEM_DB = 1.5
# A stem is told only where even the nearer of its 95 % bounds passes one step that is heard.
STEM_SURELY_DB = 1.0

# In a section it is told as most where it is there a step more than in the whole. Common practice, no source.
SECTION_STEM_DB = 1.0

# Tone. A bump or a dip of one decibel or two is heard with broad-band sound where it is a third octave wide
# or wider (F. E. Toole and S. E. Olive, "The Modification of Timbre by Resonances", J. Audio Eng. Soc. 36
# (3), 1988, for broad resonances; value from memory). Read as third octaves against their neighbourhood, a
# bell of one decibel stands out by four fifths of that: `analysis.dsp.difference` is tested with such bells.
PLACE_DB = 0.8
# Where a place begins and ends, and what is too low to be told: common practice, no source.
PLACE_EDGE_DB = 0.4
LOWEST_TOLD_HZ = 40.0
# A whole range of the spectrum, against the rest of it. Common practice, no source.
RANGE_DB = 2.0

# Width, as side against middle. Common practice, no source.
WIDTH_DB = 2.0
# Bands this close to one value were moved by one control. Common practice, no source.
WIDTH_SPREAD_DB = 1.5
# Left and right that cancel rather than add, in a band where those of the reference add. By definition of the
# correlation the sum in mono is then softer than either side alone. The margin is common practice, no source.
OPPOSED_CORRELATION = -0.2
OPPOSED_BANDS = 3

# Loudness of the whole. EBU R 128 allows a programme to miss its target by 0.5 LU, live by 1 LU (clause from
# memory).
LOUDNESS_LU = 1.0
# How far peaks stand above loudness, and how far loud and soft parts lie apart. Common practice, no source.
PEAK_TO_LOUDNESS_LU = 3.0
RANGE_LU = 3.0
# A section against the rest of the song, at equal loudness. Common practice, no source.
SECTION_LU = 1.5

# The maximum true peak in production: EBU R 128.
TRUE_PEAK_DBTP = -1.0
# Meters may read this much high: EBU Tech 3341, cases 15 to 23.
TRUE_PEAK_TOLERANCE_DB = 0.2
CLIPPED_RUNS = 1

# A start that is later or earlier than this is told: 1 ms, the delay of a foot of air or of one pass through
# outboard hardware. Nobody hears it alone; layered with the stems it does. Common practice, no source.
OFFSET_S = 0.001
# How much less of the mix the stems account for than of the reference. Common practice, no source.
UNEXPLAINED = 0.15


def is_bus_width(width: Width) -> bool:
    """Whether the width was moved for the whole mix: by enough, and about equally in all bands."""
    return abs(width.db) >= WIDTH_DB and width.spread_db <= WIDTH_SPREAD_DB
