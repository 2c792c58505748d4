"""A backup holds everything, moves between engines, and is never half put back."""

from __future__ import annotations

import io
import json
import shutil
import tarfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.services import programs
from tests.services.site import Site


@pytest.fixture(scope="module")
def filled(migrated_sqlite: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A laptop's site: SQLite, a folder, two people, an entry, a line in the log. No test changes it."""
    folder = tmp_path_factory.mktemp("filled")
    shutil.copy(migrated_sqlite, folder / "site.sqlite3")
    sound = folder / "mix.wav"
    soundfile.write(sound, 0.05 * np.random.default_rng(1).standard_normal((48_000, 2)), 48_000)
    site = Site(folder)
    people = site.play("open_contest")
    site.play("enter", contest=people["contest"], entrant=people["entrant"], file=str(sound))
    site.play("decide_something", contest=people["contest"], host=people["host"])
    yield site
    site.close()


@pytest.fixture(scope="module")
def backup(filled: Site, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The backup of it."""
    path = tmp_path_factory.mktemp("backup") / "site.tar"
    done = filled.manage("backup", str(path))
    assert done.returncode == 0, done.stderr
    return path


@pytest.fixture(scope="module")
def empty(migrated_sqlite: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A site that holds nothing, and into which no test here gets anything."""
    folder = tmp_path_factory.mktemp("empty")
    shutil.copy(migrated_sqlite, folder / "site.sqlite3")
    site = Site(folder)
    yield site
    site.close()


def altered(backup: Path, other: Path, name: str, change: Callable[[bytes], bytes | None]) -> Path:
    """The same archive, written to `other`, with one member's bytes changed; None leaves the member out."""
    with tarfile.open(backup) as old, tarfile.open(other, "w") as new:
        for entry in old:
            blob = old.extractfile(entry).read()
            if entry.name.startswith(name):
                blob = change(blob)
                if blob is None:
                    continue
            entry.size = len(blob)
            new.addfile(entry, io.BytesIO(blob))
    return other


class TestBackup:
    def test_it_is_for_its_owner_alone_and_never_over_another_file(self, filled, backup):
        assert backup.stat().st_mode & 0o077 == 0
        again = filled.manage("backup", str(backup))
        assert again.returncode == 1
        assert "exists already" in again.stderr

    def test_any_tar_program_lists_it(self, backup):
        with tarfile.open(backup) as archive:
            names = archive.getnames()
        assert names[0] == "database.rows"
        assert names[-1] == "manifest.json"
        # The site's own SECRET_KEY is given by the environment here, so that it is not in the file.
        assert [name for name in names if name.startswith("secrets/")] == ["secrets/signing_key"]

    def test_a_folder_that_is_not_there(self, filled, tmp_path):
        done = filled.manage("backup", str(tmp_path / "none" / "site.tar"))
        assert (done.returncode, "cannot be written" in done.stderr) == (1, True)
        assert "Traceback" not in done.stderr


class TestRestore:
    def test_on_another_laptop_everything_is_as_it_was(self, filled, backup, make_site):
        site = make_site()
        done = site.manage("restore", str(backup))
        assert done.returncode == 0, done.stderr
        assert site.play("what_there_is") == filled.play("what_there_is")
        assert (site.folder / "signing_key").read_text() == (filled.folder / "signing_key").read_text()
        assert site.manage("verify").returncode == 0

    @pytest.mark.needs("postgres")
    def test_from_the_laptop_to_postgresql_and_a_bucket_and_back(
        self, filled, backup, on_postgres, make_site, tmp_path
    ):
        with programs.s3_endpoint() as endpoint:
            site = on_postgres(
                STORAGE_URL=f"s3://moved/shelf?endpoint={endpoint}&region=us-east-1",
                AWS_ACCESS_KEY_ID="tests",
                AWS_SECRET_ACCESS_KEY="only for the tests",
            )
            site.play("make_bucket", endpoint=endpoint, bucket="moved")
            done = site.manage("restore", str(backup))
            assert done.returncode == 0, done.stderr
            before = filled.play("what_there_is")
            assert site.play("what_there_is") == before
            # Numbers go on where they ended: new rows do not meet old keys.
            assert site.play("let_somebody_in", email="late@example.org") > 0
            again = make_site()
            assert site.manage("backup", str(tmp_path / "back.tar")).returncode == 0
        done = again.manage("restore", str(tmp_path / "back.tar"))
        assert done.returncode == 0, done.stderr
        back = again.play("what_there_is")
        assert back["sha256"] == before["sha256"]
        assert back["logs"] == before["logs"]
        assert len(back["members"]) == len(before["members"]) + 1

    def test_a_site_in_use_is_never_written_over(self, filled, backup):
        done = filled.manage("restore", str(backup))
        assert (done.returncode, "holds something already" in done.stderr) == (1, True)

    @pytest.mark.parametrize(
        ("name", "change", "sentence"),
        [
            ("files/", lambda blob: blob[:-1] + bytes([blob[-1] ^ 1]), "not as they were written"),
            ("database.rows", lambda blob: blob.replace(b"A word", b"Another"), "not as they were written"),
            ("secrets/signing_key", lambda blob: None, "not as they were written"),
            ("manifest.json", lambda blob: None, "has no manifest"),
            ("manifest.json", lambda blob: b"{}", "no backup that this program knows"),
            (
                "manifest.json",
                lambda blob: json.dumps(
                    json.loads(blob) | {"migrations": ["contests.0001_initial"]}
                ).encode(),
                "another version",
            ),
        ],
    )
    def test_an_altered_one_is_refused_and_changes_nothing(
        self, backup, empty, tmp_path, name, change, sentence
    ):
        before = empty.play("what_there_is")
        done = empty.manage("restore", str(altered(backup, tmp_path / "altered.tar", name, change)))
        assert done.returncode == 1
        assert sentence in done.stderr
        assert "Traceback" not in done.stderr
        assert empty.play("what_there_is") == before
        assert not any((empty.folder / "recordings").rglob("*"))

    def test_a_torn_and_another_file_are_refused(self, backup, empty, tmp_path):
        torn, other = tmp_path / "torn.tar", tmp_path / "other"
        shutil.copy(backup, torn)
        with torn.open("r+b") as file:
            file.truncate(torn.stat().st_size // 2)
        other.write_text("not a tar")
        for path in (torn, other, tmp_path / "none"):
            done = empty.manage("restore", str(path))
            assert done.returncode == 1
            assert "Traceback" not in done.stderr, done.stderr
            assert str(path) in done.stderr
