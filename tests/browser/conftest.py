"""What several tests of the booth open: four copies of noise on a server of their own."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.browser.bench import KEYS
from tests.browser.booth_server import RATE_HZ, BoothServer, copy_of_noise, serving


@pytest.fixture(scope="module")
def server() -> Iterator[BoothServer]:
    """Half a minute of each copy, in segments of two seconds."""
    copies = {key: copy_of_noise(seed, 30 * RATE_HZ) for seed, key in enumerate(KEYS)}
    with serving(BoothServer(copies, segment_frames=2 * RATE_HZ)) as server:
        yield server
