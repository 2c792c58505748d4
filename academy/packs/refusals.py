"""The one refusal of this room."""


class PackRefused(Exception):
    """The pack cannot be changed or published as asked; the sentence says why."""
