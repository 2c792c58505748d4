"""Which measures make up a check. A recipe has a version; a measurement names it."""

LOUDNESS_AND_PEAKS = "loudness-and-peaks/1"
"""BS.1770 loudness and true peak, Tech 3342 range, peaks, crest, offset, clipping, correlation."""
