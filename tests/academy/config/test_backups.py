"""Trouble while a backup is written or put back; the whole way is walked in tests/services."""

from __future__ import annotations

import errno
import tarfile

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import FileSystemStorage

from academy.config.backups import archive, restoring, writing
from academy.config.backups.archive import BackupRefused
from academy.members.models import Member
from tests import cast

pytestmark = pytest.mark.django_db


@pytest.fixture
def shelf(monkeypatch, settings, tmp_path):
    """A shelf and a home for secrets of its own, with one file on the shelf."""
    shelf = FileSystemStorage(tmp_path / "shelf")
    for room in (writing, restoring):
        monkeypatch.setattr(room, "shelf", lambda: shelf)
    settings.DATA_DIR = tmp_path
    shelf.save("ab/one", ContentFile(b"sound"))
    return shelf


def full_disk(*_):
    """What a write says when there is no room."""
    raise OSError(errno.ENOSPC, "No space left on device")


class TestBackup:
    def test_a_file_that_the_site_throws_away_meanwhile_is_left_out(self, shelf, monkeypatch, tmp_path):
        monkeypatch.setattr(writing, "keys_of", lambda where: iter(["ab/gone", *archive.keys_of(where)]))
        assert writing.back_up(tmp_path / "site.tar", now=cast.NOW).files == 1
        with tarfile.open(tmp_path / "site.tar") as written:
            assert [name for name in written.getnames() if name.startswith("files/")] == ["files/ab/one"]

    def test_a_full_disk_is_told_in_words_and_leaves_nothing(self, shelf, monkeypatch, tmp_path):
        monkeypatch.setattr(tarfile.TarFile, "addfile", full_disk)
        with pytest.raises(BackupRefused, match="could not be written whole: No space left"):
            writing.back_up(tmp_path / "site.tar", now=cast.NOW)
        assert not (tmp_path / "site.tar").exists()


class TestRestore:
    @pytest.fixture
    def backup(self, shelf, tmp_path):
        """The backup of a site with one member and one file, which is empty now."""
        cast.member("Ansa Merrow")
        (tmp_path / "secret_key").write_text("the old one")
        path = tmp_path / "site.tar"
        writing.back_up(path, now=cast.NOW)
        Member.objects.all().delete()
        shelf.delete("ab/one")
        return path

    def test_it_fills_the_site(self, backup, tmp_path):
        restoring.restore(backup)
        assert Member.objects.get().name == "Ansa Merrow"
        assert (tmp_path / "shelf" / "ab" / "one").read_bytes() == b"sound"

    @pytest.mark.parametrize("step", ["_keep", "_put_secrets_back"])
    def test_trouble_on_the_way_is_not_the_backups_fault_and_leaves_nothing(
        self, shelf, backup, monkeypatch, step
    ):
        monkeypatch.setattr(restoring, step, full_disk)
        with pytest.raises(BackupRefused, match="could not be put back: No space left"):
            restoring.restore(backup)
        assert not Member.objects.exists()
        assert list(archive.keys_of(shelf)) == []
