"""How loud a room plays at a monitor setting: arithmetic on published reference levels. No Django here."""

from __future__ import annotations

# EBU Tech 3343, clause 8.2, as told in the EBU's technical news of March 2016: each main loudspeaker is set
# to 73 dB(C) while it plays noise of 500 to 2000 Hz at -23 LUFS, in mixing rooms of 125 to 250 cubic metres.
EBU_NOISE_LUFS = -23.0
EBU_LOUDSPEAKER_DBC = 73.0


def monitor_level_dbc(noise_lufs: float) -> float:
    """What a sound level meter reads, C-weighted, when both loudspeakers play our noise at the EBU's setting.

    `noise_lufs` is the loudness of the noise over both channels together. BS.1770 adds up the channels'
    power, and so does a room with sound that differs from side to side; so the one follows the other
    decibel for decibel, and noise at -23 LUFS from two loudspeakers reads as the EBU's does from one.
    """
    return EBU_LOUDSPEAKER_DBC + (noise_lufs - EBU_NOISE_LUFS)
