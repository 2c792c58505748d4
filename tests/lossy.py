"""Recordings after a lossy coder: libsndfile's own MP3 and Vorbis, there and back."""

import io

import numpy as np
import soundfile
from numpy.typing import NDArray

# Format, subtype, and how much is thrown away (0.0 to 1.0). Stereo music comes out near the kbit/s named.
CODERS = {
    "MP3 200": ("MP3", "MPEG_LAYER_III", 0.2),
    "MP3 125": ("MP3", "MPEG_LAYER_III", 0.6),
    "Vorbis 250": ("OGG", "VORBIS", 0.2),
    "Vorbis 120": ("OGG", "VORBIS", 0.6),
    "Vorbis 80": ("OGG", "VORBIS", 0.9),
}


def coded(audio: NDArray[np.float32], coder: str, *, rate_hz: int) -> NDArray[np.float32]:
    """`audio`, (n, channels), coded and decoded, as long as before: libsndfile takes the delay out."""
    container, subtype, loss = CODERS[coder]
    stored = io.BytesIO()
    soundfile.write(stored, audio, rate_hz, format=container, subtype=subtype, compression_level=loss)
    stored.seek(0)
    decoded, _ = soundfile.read(stored, dtype="float32", always_2d=True)
    return decoded[: len(audio)]
