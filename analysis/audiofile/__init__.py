"""From a file to samples and back: describe, check in a sandbox, read in blocks, write."""

from analysis.audiofile.describing import describe
from analysis.audiofile.description import AudioDescription
from analysis.audiofile.errors import AudioError
from analysis.audiofile.limits import DEFAULT_LIMITS, METER_LIMITS, Limits
from analysis.audiofile.padding import pad_flac
from analysis.audiofile.probing import SandboxFailed, probe
from analysis.audiofile.reading import read_blocks
from analysis.audiofile.writing import FlacWriter, SegmentWriter, write_flac, write_wav

__all__ = [
    "DEFAULT_LIMITS",
    "METER_LIMITS",
    "AudioDescription",
    "AudioError",
    "FlacWriter",
    "Limits",
    "SandboxFailed",
    "SegmentWriter",
    "describe",
    "pad_flac",
    "probe",
    "read_blocks",
    "write_flac",
    "write_wav",
]
