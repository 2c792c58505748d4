"""The clock of these tests stands a day after the close, unless a test sets it."""

from tests.contests.hosting.conftest import clock  # noqa: F401
