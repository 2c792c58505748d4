"""Read WebVTT strictly, by the grammar of W3C's WebVTT 1 (Candidate Recommendation, 4 April 2019), clause 4.

Pure: text in, cues or sentences out. Players forgive much; a file that is kept should need no forgiveness.
"""

from academy.courses.webvtt.faults import CaptionsRefused
from academy.courses.webvtt.reading import CaptionFile, Cue, read
from academy.courses.webvtt.writing import part_of

__all__ = ["CaptionFile", "CaptionsRefused", "Cue", "part_of", "read"]
