"""The archive of a pack."""

from __future__ import annotations

import hashlib
import subprocess
import zipfile
from pathlib import Path

import pytest

from academy.packs import building, publishing
from academy.packs.models import StemPack
from analysis.intake import keeping
from analysis.jobs import running
from analysis.jobs.models import Job, JobState
from tests.academy.packs import making

pytestmark = pytest.mark.django_db

NAMES = ["Kick in", "Snare / top", "Gitarre – ö"]


@pytest.fixture
def pack(tmp_path) -> StemPack:
    made = making.draft(
        tmp_path, NAMES, notes="Mind the polarity.", credits="Voice: Lio Brand.", tempo_bpm="96.5"
    )
    publishing.publish(made)
    return made


@pytest.fixture
def archive(pack, work, tmp_path) -> Path:
    """The built archive as a file with a name."""
    assert [job.state for job in work("build_pack")] == [JobState.DONE]
    pack.refresh_from_db()
    path = tmp_path / "pack.zip"
    with keeping.opened(pack.archive_key) as file:
        path.write_bytes(file.read())
    return path


class TestArchive:
    def test_the_row_knows_its_bytes(self, pack, archive):
        blob = archive.read_bytes()
        assert pack.archive_bytes == len(blob)
        assert pack.archive_sha256 == hashlib.sha256(blob).hexdigest()

    def test_it_holds_every_stem_unchanged_and_stored(self, pack, archive):
        with zipfile.ZipFile(archive) as opened:
            infos = {info.filename: info for info in opened.infolist()}
            assert list(infos) == [
                "Harbour Light/01 Kick in.wav",
                "Harbour Light/02 Snare top.wav",
                "Harbour Light/03 Gitarre – ö.wav",
                "Harbour Light/README.txt",
                "Harbour Light/TERMS.txt",
                "Harbour Light/SHA256SUMS",
            ]
            assert {info.compress_type for info in infos.values()} == {zipfile.ZIP_STORED}
            for stem, name in zip(pack.stems.select_related("recording"), infos, strict=False):
                assert hashlib.sha256(opened.read(name)).hexdigest() == stem.recording.sha256

    def test_it_brings_its_note_and_its_terms(self, archive):
        with zipfile.ZipFile(archive) as opened:
            readme = opened.read("Harbour Light/README.txt").decode()
            terms = opened.read("Harbour Light/TERMS.txt").decode()
        for part in [
            "96.5 bpm",
            "01 Kick in.wav  (48 kHz, 24 bit, stereo, 0:00.5)",
            "Mind the polarity.",
            "Lio Brand",
        ]:
            assert part in readme
        assert "Artist" not in readme  # not known, so not said
        assert terms == "Terms, version 1\n\nFor **practice** only.\n"

    @pytest.mark.needs("unzip")
    @pytest.mark.needs("sha256sum")
    def test_the_machine_s_own_programs_find_it_sound(self, archive, tmp_path):
        tested = subprocess.run(["unzip", "-t", archive], capture_output=True, text=True, check=False)
        assert tested.returncode == 0, tested.stdout + tested.stderr
        assert "No errors detected" in tested.stdout
        subprocess.run(
            ["unzip", "-q", archive, "-d", tmp_path / "out"], check=True, env={"LC_ALL": "C.UTF-8"}
        )
        folder = tmp_path / "out" / "Harbour Light"
        checked = subprocess.run(
            ["sha256sum", "--check", "--strict", "SHA256SUMS"],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
        )
        assert checked.returncode == 0, checked.stdout + checked.stderr
        assert checked.stdout.count(": OK") == len(NAMES) + 2

    @pytest.mark.needs("sha256sum")
    @pytest.mark.needs("unzip")
    def test_those_sums_notice_one_changed_byte(self, archive, tmp_path):
        subprocess.run(
            ["unzip", "-q", archive, "-d", tmp_path / "out"], check=True, env={"LC_ALL": "C.UTF-8"}
        )
        folder = tmp_path / "out" / "Harbour Light"
        stem = folder / "01 Kick in.wav"
        blob = bytearray(stem.read_bytes())
        blob[-1] ^= 1
        stem.write_bytes(blob)
        checked = subprocess.run(
            ["sha256sum", "--check", "SHA256SUMS"], cwd=folder, capture_output=True, check=False
        )
        assert checked.returncode == 1


class TestBuilding:
    def test_building_again_gives_the_same_bytes_and_leaves_one_archive(self, pack, archive, work):
        first_key, first_sum = pack.archive_key, pack.archive_sha256
        building.request_build(pack)
        work("build_pack")
        pack.refresh_from_db()
        assert pack.archive_sha256 == first_sum
        assert pack.archive_key != first_key

    def test_the_old_bytes_go_once_the_new_row_is_committed(
        self, pack, archive, work, django_capture_on_commit_callbacks
    ):
        first_key = pack.archive_key
        building.request_build(pack)
        with django_capture_on_commit_callbacks(execute=True):
            work("build_pack")
        pack.refresh_from_db()
        assert keeping.shelf().exists(pack.archive_key)
        assert not keeping.shelf().exists(first_key)

    def test_a_stem_that_changed_on_the_shelf_stops_it(self, pack, work):
        key = pack.stems.first().recording.storage_key
        path = Path(keeping.shelf().path(key))
        blob = bytearray(path.read_bytes())
        blob[-1] ^= 1
        path.chmod(0o644)
        path.write_bytes(blob)
        (job,) = work("build_pack")
        assert job.state == JobState.QUEUED  # the storage's fault: tried again
        assert "StemDamaged" in job.trouble
        pack.refresh_from_db()
        assert pack.archive_key == ""

    def test_terms_that_change_meanwhile_are_never_overtaken(self, pack, work, monkeypatch):
        kept = []
        build = building.build_archive

        def slow(of):
            kept.append(build(of))
            publishing.change_terms(StemPack.objects.get(pk=of.pk), "New terms.")
            return kept[-1]

        monkeypatch.setattr(building, "build_archive", slow)
        (job,) = work("build_pack")
        assert "PackChanged" in job.trouble
        pack.refresh_from_db()
        assert pack.archive_key == ""
        assert not keeping.shelf().exists(kept[0].key)

    def test_a_worker_that_overslept_leaves_nothing_behind(self, pack, monkeypatch):
        job = Job.objects.get(kind="build_pack")
        kept = []
        build = building.build_archive

        def slow(of):
            kept.append(build(of))
            Job.objects.filter(pk=job.pk).update(lease_token=None)  # another worker took over
            return kept[-1]

        monkeypatch.setattr(building, "build_archive", slow)
        assert not running.run(job.pk)
        pack.refresh_from_db()
        assert pack.archive_key == ""
        assert not keeping.shelf().exists(kept[0].key)
