"""Rounds: laid out before the judging, cut one after the other, and heard again where a cut is not clear."""
