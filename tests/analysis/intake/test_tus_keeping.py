"""What becomes of the bytes: broken lines, locks, full disks, quotas, the sweep, the recording in the end."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import shutil
from collections import namedtuple
from datetime import timedelta
from pathlib import Path
from uuid import UUID

import pytest
from celery import current_app
from django.conf import settings
from django.db import transaction

from analysis.audiofile import AudioError
from analysis.intake import keeping, sealing
from analysis.intake.models import Recording, Upload
from analysis.intake.resumable import appending, ending, headers, taking
from analysis.intake.resumable.disk import DiskHold
from analysis.intake.resumable.refusals import UploadRefused
from tests import cast
from tests.analysis.intake.conftest import Sender, row, staged

pytestmark = pytest.mark.django_db

HALF_MIB = bytes(range(256)) * 2048


def append(sender: Sender, address: str, blocks, *, at: int = 0, announced: int, checksum=None) -> Upload:
    """Send blocks by the service itself."""
    return appending.append(
        row(address).pk,
        owner=sender.member,
        offset_bytes=at,
        announced_bytes=announced,
        blocks=blocks,
        checksum=checksum,
    )


class TestBrokenLine:
    def test_what_came_is_kept(self, sender):
        address = sender.open(100)
        assert append(sender, address, [b"a" * 30, b"b" * 7], announced=100).offset_bytes == 37
        assert sender.offset(address) == 37
        assert staged()[0].read_bytes() == b"a" * 30 + b"b" * 7

    def test_under_a_checksum_nothing_is_kept(self, sender):
        address = sender.open(100)
        whole = headers.Checksum("sha256", hashlib.sha256(b"a" * 100).digest())
        with pytest.raises(UploadRefused) as refused:
            append(sender, address, [b"a" * 30], announced=100, checksum=whole)
        assert refused.value.status == 460
        assert sender.offset(address) == 0
        assert staged()[0].read_bytes() == b""

    def test_a_dead_server_costs_at_most_one_stretch(self, sender):
        """The request dies, as by SIGKILL, with no chance to say how far it came."""
        stretch = appending.COMMIT_EVERY_BYTES
        address = sender.open(stretch * 3)

        def until_it_dies():
            for _ in range(stretch * 2 // len(HALF_MIB) + 3):
                yield HALF_MIB
            raise SystemExit

        with pytest.raises(SystemExit):
            append(sender, address, until_it_dies(), announced=stretch * 3)
        assert sender.offset(address) == stretch * 2
        rest = stretch // len(HALF_MIB)
        append(sender, address, [HALF_MIB] * rest, at=stretch * 2, announced=stretch)
        assert staged()[0].read_bytes() == HALF_MIB * rest * 3

    def test_what_lies_past_the_committed_offset_is_cut_off(self, sender):
        address = sender.open(6)
        sender.send(address, b"abc")
        with staged()[0].open("ab") as file:
            file.write(b"never counted")
        sender.send(address, b"d", at=3)
        assert staged()[0].read_bytes() == b"abcd"

    def test_bytes_that_the_disk_lost_are_never_made_up(self, sender):
        address = sender.open(6)
        sender.send(address, b"abc")
        os.truncate(staged()[0], 2)
        answer = sender.send(address, b"def", at=3)
        assert answer.status_code == 410
        assert "lost on the server" in answer.content.decode()
        assert sender.ask("HEAD", address).status_code == 404

    def test_the_bytes_are_on_the_disk_before_they_are_counted(self, sender, monkeypatch):
        address = sender.open(6)
        order = []
        sync = os.fdatasync
        monkeypatch.setattr(
            os, "fdatasync", lambda file: (order.append(row(address).offset_bytes), sync(file))
        )
        sender.send(address, b"abc")
        assert order == [0]
        assert sender.offset(address) == 3


class TestLock:
    def test_while_another_writes_it_is_423(self, sender):
        address = sender.open(6)
        with staged()[0].open("r+b") as other:
            fcntl.flock(other, fcntl.LOCK_EX)
            for answer in (sender.send(address, b"abc"), sender.ask("DELETE", address)):
                assert answer.status_code == 423
                assert "Another request is at work" in answer.content.decode()
        assert sender.send(address, b"abc").status_code == 204

    def test_the_offset_is_compared_once_the_lock_is_there(self, sender, monkeypatch):
        """Another request commits between the look at the row and the lock."""
        address = sender.open(6)
        lock = fcntl.flock

        def commit_first(file, how):
            Upload.objects.update(offset_bytes=3)
            os.truncate(staged()[0], 3)
            lock(file, how)

        monkeypatch.setattr(fcntl, "flock", commit_first)
        assert sender.send(address, b"abc").status_code == 409

    def test_a_commit_names_the_offset_that_it_saw(self, sender, monkeypatch):
        address = sender.open(6)
        settle = DiskHold.settle

        def overtaken(self, *, is_end):
            Upload.objects.update(offset_bytes=1)
            return settle(self, is_end=is_end)

        monkeypatch.setattr(DiskHold, "settle", overtaken)
        answer = sender.send(address, b"abc")
        assert answer.status_code == 409
        assert sender.offset(address) == 1

    def test_one_thrown_away_under_the_lock_is_not_there(self, sender, monkeypatch):
        address = sender.open(6)
        lock = fcntl.flock

        def throw_away_first(file, how):
            Upload.objects.all().delete()
            lock(file, how)

        monkeypatch.setattr(fcntl, "flock", throw_away_first)
        assert sender.send(address, b"abc").status_code == 404


class TestRoom:
    def test_a_fourth_upload_is_refused(self, sender, make_sender):
        addresses = [sender.open(10) for _ in range(3)]
        answer = sender.ask("POST", "/uploads/", Upload_Length=10)
        assert answer.status_code == 429
        assert "3 uploads of yours are under way" in answer.content.decode()
        make_sender("Bero Lund").open(10)
        sender.ask("DELETE", addresses[0])
        sender.open(10)

    def test_a_member_has_so_many_bytes(self, sender, settings):
        settings.MEMBER_UPLOAD_BYTES = 100
        sender.open(60)
        assert sender.ask("POST", "/uploads/", Upload_Length=41).status_code == 413
        sender.open(40)

    def test_the_disk_keeps_a_floor_free(self, sender, make_sender, monkeypatch):
        """What is promised to others and has not come yet is not free any more."""
        Usage = namedtuple("Usage", "total used free")
        free = {"bytes": 2 * 1024**3 + 1000}
        monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(0, 0, free["bytes"]))
        assert sender.ask("POST", "/uploads/", Upload_Length=1001).status_code == 507
        address = sender.open(600)
        other = make_sender("Bero Lund")
        assert other.ask("POST", "/uploads/", Upload_Length=401).status_code == 507
        free["bytes"] -= 600
        sender.send(address, b"x" * 600)  # no longer promised but used
        assert other.ask("POST", "/uploads/", Upload_Length=401).status_code == 507
        other.open(400)

    @pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT])
    def test_a_disk_that_fills_up_is_507_and_keeps_what_was_counted(self, sender, monkeypatch, number):
        address = sender.open(6)
        sender.send(address, b"abc")

        def full(self, block):
            raise OSError(number, os.strerror(number))

        with monkeypatch.context() as patched:
            patched.setattr(DiskHold, "write", full)
            answer = sender.send(address, b"def", at=3)
        assert answer.status_code == 507
        assert "not your file’s fault" in answer.content.decode()
        assert sender.send(address, b"def", at=3).status_code == 204


class TestSweep:
    def test_what_rested_for_two_days_goes(self, sender, clock):
        old, fresh = sender.open(6), sender.open(6)
        clock.now += timedelta(hours=1)
        sender.send(fresh, b"abc")
        clock.now += timedelta(hours=47)
        assert ending.sweep(clock.now) == 1
        assert not Upload.objects.filter(pk=old.rpartition("/")[2]).exists()
        assert [path.name for path in staged()] == [row(fresh).pk.hex]

    def test_a_whole_one_waits_for_a_week(self, sender, clock):
        sender.send(sender.open(3), b"abc")
        assert ending.sweep(clock.now + timedelta(days=7) - timedelta(seconds=1)) == 0
        assert ending.sweep(clock.now + timedelta(days=7)) == 1
        assert not staged()

    def test_beat_rings_for_it(self):
        """Every bell in the timetable belongs to a task that exists."""
        current_app.loader.import_default_modules()
        bells = {bell["task"] for bell in settings.CELERY_BEAT_SCHEDULE.values()}
        assert "analysis.intake.tasks.sweep_uploads" in bells
        assert bells <= set(current_app.tasks)

    def test_one_that_is_held_is_left(self, sender, clock):
        sender.open(6)
        with staged()[0].open("r+b") as other:
            fcntl.flock(other, fcntl.LOCK_EX)
            assert ending.sweep(clock.now + timedelta(days=3)) == 0
        assert ending.sweep(clock.now + timedelta(days=3)) == 1

    def test_bytes_without_a_row_go_once_they_are_old(self, sender, clock):
        address = sender.open(6)
        row(address).delete()
        assert ending.sweep(clock.now) == 0
        two_days_ago = staged()[0].stat().st_mtime - 48 * 3600 - 60
        os.utime(staged()[0], (two_days_ago, two_days_ago))
        assert ending.sweep(clock.now) == 1
        assert not staged()


@pytest.fixture
def finished(sender, write_wav):
    """A good mix that arrived whole: its id and its bytes."""
    blob = write_wav(cast.tone()).read_bytes()
    address = sender.open(len(blob), name="My mix.wav")
    sender.send(address, blob)
    return row(address).pk, blob


def shelf_keys() -> list[str]:
    """Every key on the shelf."""
    shelf = keeping.shelf()
    return [f"{folder}/{name}" for folder in shelf.listdir("")[0] for name in shelf.listdir(folder)[1]]


class TestTake:
    def test_it_becomes_a_recording_once(self, sender, finished, django_capture_on_commit_callbacks):
        upload_id, blob = finished
        received = taking.take(upload_id, sender.member)
        assert received.sha256 == hashlib.sha256(blob).hexdigest()
        assert (received.size_bytes, received.original_name) == (len(blob), "My mix.wav")
        with django_capture_on_commit_callbacks(execute=True):
            recording = sealing.seal(received, owner=sender.member, now=cast.NOW)
        with keeping.opened(recording.storage_key) as file:
            assert file.read() == blob
        assert not staged()
        with pytest.raises(UploadRefused) as refused:
            taking.take(upload_id, sender.member)
        assert refused.value.status == 404

    def test_on_one_disk_it_takes_no_second_room(self, sender, finished):
        received = taking.take(finished[0], sender.member)
        assert Path(keeping.shelf().path(received.storage_key)).samefile(staged()[0])

    def test_on_another_disk_it_is_copied(self, sender, finished, monkeypatch):
        def refuse(source, target):
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))

        monkeypatch.setattr(os, "link", refuse)
        received = taking.take(finished[0], sender.member)
        kept = Path(keeping.shelf().path(received.storage_key))
        assert not kept.samefile(staged()[0])
        assert kept.read_bytes() == finished[1]

    def test_of_two_takers_one_seals(self, sender, finished):
        first, second = (taking.take(finished[0], sender.member) for _ in range(2))
        sealing.seal(first, owner=sender.member, now=cast.NOW)
        with pytest.raises(UploadRefused) as refused:
            sealing.seal(second, owner=sender.member, now=cast.NOW)
        assert refused.value.status == 409
        sealing.let_go(second)
        assert keeping.shelf().exists(first.storage_key)
        assert Recording.objects.count() == 1

    def test_whoever_rolls_back_may_take_it_again(self, sender, finished):
        received = taking.take(finished[0], sender.member)
        with transaction.atomic():
            sealing.seal(received, owner=sender.member, now=cast.NOW)
            transaction.set_rollback(True)
        sealing.let_go(received)
        assert taking.take(finished[0], sender.member).sha256 == received.sha256

    def test_nobody_else_takes_it(self, finished, make_sender):
        with pytest.raises(UploadRefused) as refused:
            taking.take(finished[0], make_sender("Bero Lund").member)
        assert refused.value.status == 404

    def test_an_unfinished_one_is_not_taken(self, sender):
        upload = row(sender.open(6))
        with pytest.raises(UploadRefused, match="6 bytes are missing") as refused:
            taking.take(upload.pk, sender.member)
        assert refused.value.status == 409

    def test_one_that_never_was_is_not_there(self, sender):
        with pytest.raises(UploadRefused) as refused:
            taking.take(UUID(int=0), sender.member)
        assert refused.value.status == 404

    @pytest.mark.parametrize(("blob", "code"), [(b"", "empty"), (b"<html>hello</html>", "not_audio")])
    def test_what_is_no_audio_is_thrown_away(self, sender, blob, code):
        before = shelf_keys()
        address = sender.open(len(blob))
        sender.send(address, blob)
        upload_id = row(address).pk
        with pytest.raises(AudioError) as refused:
            taking.take(upload_id, sender.member)
        assert refused.value.code == code
        assert (staged(), Upload.objects.count(), shelf_keys()) == ([], 0, before)

    def test_the_probe_is_the_one_of_every_intake(self, sender, write_wav):
        """A truncated file is refused with the same words, whichever way it came."""
        cut = write_wav(cast.tone()).read_bytes()[:9_000]
        address = sender.open(len(cut))
        sender.send(address, cut)
        with pytest.raises(AudioError) as in_parts:
            taking.take(row(address).pk, sender.member)
        with pytest.raises(AudioError) as at_once:
            sealing.receive([cut], name="mix.wav")
        assert str(in_parts.value) == str(at_once.value)
