"""The clock of these tests is that of the host's desk."""

from tests.contests.hosting.conftest import clock  # noqa: F401  a fixture
