"""How much a file may ask of us: channels, rates, length, size, and time to decode."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """What is accepted. Anything beyond is refused from the header alone, before a sample is decoded."""

    max_channels: int = 2
    #: The rates taken; None takes every whole rate between `min_rate_hz` and `max_rate_hz`.
    allowed_rates_hz: tuple[int, ...] | None = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
    min_rate_hz: int = 8_000
    max_rate_hz: int = 384_000
    max_duration_s: float = 1_200.0
    max_bytes: int = 2 * 2**30
    #: RIFF chunks or FLAC metadata blocks.
    max_chunks: int = 64
    #: All that is not sound: tags, pictures, edit lists, padding.
    max_other_bytes: int = 16 * 2**20
    #: Processor time and clock time that checking one file may take.
    max_cpu_s: int = 20
    max_wall_s: float = 120.0


#: What members upload: one or two channels at the six production rates, up to 20 minutes.
DEFAULT_LIMITS = Limits()

#: What the command line measures: up to 5.1, any sane rate, up to two hours.
METER_LIMITS = Limits(
    max_channels=6,
    allowed_rates_hz=None,
    max_duration_s=7_200.0,
    max_bytes=32 * 2**30,
    max_cpu_s=240,
    max_wall_s=900.0,
)
