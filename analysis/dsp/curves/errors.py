"""What a curve refuses."""


class CurveError(ValueError):
    """The settings imply no curve: the sentence says which value lies where none is defined."""
