"""Sites on the embedded parts, on Redis, on PostgreSQL and on an S3 endpoint."""

from __future__ import annotations

import itertools
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.services import programs
from tests.services.site import Site

_numbers = itertools.count(1)


@pytest.fixture(scope="session")
def migrated_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty SQLite database of the present version, to copy."""
    folder = tmp_path_factory.mktemp("migrated")
    done = Site(folder).manage("migrate", "--verbosity", "0")
    assert done.returncode == 0, done.stderr
    return folder / "site.sqlite3"


@pytest.fixture(scope="session")
def postgres() -> Iterator[programs.Postgres]:
    """One PostgreSQL for the whole run, with an empty database of the present version to copy."""
    with programs.postgres() as server:
        yield server


@pytest.fixture(scope="session")
def migrated_postgres(postgres: programs.Postgres, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The name of an empty database of the present version."""
    postgres.create("migrated")
    folder = tmp_path_factory.mktemp("migrated")
    done = Site(folder, DATABASE_URL=postgres.url("migrated")).manage("migrate", "--verbosity", "0")
    assert done.returncode == 0, done.stderr
    return "migrated"


@pytest.fixture
def redis(tmp_path: Path) -> Iterator[programs.Redis]:
    """A Redis of the test's own, running."""
    folder = tmp_path / "redis"
    folder.mkdir()
    server = programs.Redis(folder)
    server.start()
    yield server
    server.stop()


MakeSite = Callable[..., Site]


@pytest.fixture
def make_site(tmp_path: Path, migrated_sqlite: Path) -> Iterator[MakeSite]:
    """Make a site with an SQLite database of its own, unless the environment given names another."""
    made: list[Site] = []

    def make(**environment: str) -> Site:
        folder = tmp_path / f"site-{next(_numbers)}"
        folder.mkdir()
        if "DATABASE_URL" not in environment:
            shutil.copy(migrated_sqlite, folder / "site.sqlite3")
        made.append(Site(folder, **environment))
        return made[-1]

    yield make
    for site in made:
        site.close()


@pytest.fixture
def on_postgres(
    make_site: MakeSite, postgres: programs.Postgres, migrated_postgres: str
) -> Callable[..., Site]:
    """Make a site on a fresh PostgreSQL database."""

    def make(**environment: str) -> Site:
        name = f"site_{next(_numbers)}"
        postgres.create(name, like=migrated_postgres)
        return make_site(DATABASE_URL=postgres.url(name), **environment)

    return make


@pytest.fixture
def write_noise(write_wav: Callable[..., Path]) -> Callable[..., str]:
    """Write quiet stereo noise of so many seconds at 48 kHz to a WAV file; each seed its own bytes."""

    def write(*, seconds: float, seed: int = 1) -> str:
        frames = round(seconds * 48_000)
        audio = 0.05 * np.random.default_rng(seed).standard_normal((frames, 2))
        return str(write_wav(audio, name=f"noise-{seed}.wav", subtype="PCM_16"))

    return write
