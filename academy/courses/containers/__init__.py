"""What kind of audio or video a file is, told by its bytes, and how long it plays. No decoder is run."""

from academy.courses.containers.kinds import ACCEPTED, Found, MediaRefused, look_at

__all__ = ["ACCEPTED", "Found", "MediaRefused", "look_at"]
