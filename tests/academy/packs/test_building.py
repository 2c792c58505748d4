"""The archive of a pack."""

from __future__ import annotations

import hashlib
import subprocess
import zipfile
from pathlib import Path

import pytest

from academy.packs import building, publishing
from academy.packs.models import Archive, StemPack
from analysis import audiofile
from analysis.intake import keeping, sealing
from analysis.jobs import running
from analysis.jobs.models import Job, JobState
from tests import cast
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


def kept(pack: StemPack, form: str = "wav") -> Archive | None:
    """The row of the current version's archive in a form."""
    pack.refresh_from_db()
    return pack.current.archives.filter(form=form).first()


def unpackable(pack: StemPack, form: str, folder: Path) -> Path:
    """The kept archive as a file with a name."""
    path = folder / f"pack {form}.zip"
    with keeping.opened(kept(pack, form).storage_key) as file:
        path.write_bytes(file.read())
    return path


@pytest.fixture
def archive(pack, work, tmp_path) -> Path:
    """The built archive as a file with a name."""
    assert [job.state for job in work("build_pack")] == [JobState.DONE] * 2
    return unpackable(pack, "wav", tmp_path)


class TestArchive:
    def test_the_row_knows_its_bytes(self, pack, archive):
        blob = archive.read_bytes()
        assert kept(pack).size_bytes == len(blob)
        assert kept(pack).sha256 == hashlib.sha256(blob).hexdigest()

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


@pytest.mark.needs("unzip")
@pytest.mark.needs("flac")
@pytest.mark.needs("sha256sum")
def test_as_flac_it_is_sound_by_the_machine_s_own_programs(pack, archive, tmp_path):
    path = unpackable(pack, "flac", tmp_path)
    subprocess.run(["unzip", "-q", path, "-d", tmp_path / "out"], check=True, env={"LC_ALL": "C.UTF-8"})
    folder = tmp_path / "out" / "Harbour Light"
    stems = sorted(folder.glob("*.flac"))
    assert [stem.name for stem in stems] == ["01 Kick in.flac", "02 Snare top.flac", "03 Gitarre – ö.flac"]
    subprocess.run(["flac", "--silent", "--test", *stems], check=True)
    subprocess.run(["sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS"], cwd=folder, check=True)
    assert "01 Kick in.flac  (48 kHz" in (folder / "README.txt").read_text()
    assert path.stat().st_size < archive.stat().st_size


def test_32_bit_float_stays_wav_in_a_pack_of_flac(tmp_path, work):
    pack = making.draft(tmp_path, ["Kick"])
    path = tmp_path / "float.wav"
    audiofile.write_wav(path, [cast.tone(seconds=0.5) * 11], rate_hz=48_000, channels=2, subtype="FLOAT")
    publishing.add_stem(pack, sealing.receive_file(path), name="Room", owner=None, now=cast.NOW)
    publishing.publish(pack)
    work("build_pack")
    with zipfile.ZipFile(unpackable(pack, "flac", tmp_path)) as opened:
        assert opened.read("Harbour Light/02 Room.wav") == path.read_bytes()
        assert "Harbour Light/01 Kick.flac" in opened.namelist()


class TestBuilding:
    def test_building_again_gives_the_same_bytes_and_leaves_one_archive(self, pack, archive, work):
        first = kept(pack)
        building.request_build(pack.current)
        work("build_pack")
        again = kept(pack)
        assert again.sha256 == first.sha256
        assert again.storage_key != first.storage_key
        assert Archive.objects.count() == 2  # one a form

    def test_the_old_bytes_go_once_the_new_row_is_committed(
        self, pack, archive, work, django_capture_on_commit_callbacks
    ):
        first_key = kept(pack).storage_key
        building.request_build(pack.current)
        with django_capture_on_commit_callbacks(execute=True):
            work("build_pack")
        assert keeping.shelf().exists(kept(pack).storage_key)
        assert not keeping.shelf().exists(first_key)

    def test_a_stem_that_changed_on_the_shelf_stops_it(self, pack, work):
        key = pack.stems.first().recording.storage_key
        path = Path(keeping.shelf().path(key))
        blob = bytearray(path.read_bytes())
        blob[-1] ^= 1
        path.chmod(0o644)
        path.write_bytes(blob)
        job = next(job for job in work("build_pack") if job.subject.endswith("wav"))
        assert job.state == JobState.QUEUED  # the storage's fault: tried again
        assert "StemDamaged" in job.trouble
        assert kept(pack) is None

    def test_a_version_that_is_overtaken_meanwhile_gets_no_archive(
        self, pack, work, monkeypatch, django_capture_on_commit_callbacks
    ):
        made = []
        build = building.build_archive

        def slow(version, form):
            made.append(build(version, form))
            if len(made) == 1:
                publishing.change_terms(StemPack.objects.get(pk=version.pack_id), "New terms.")
            return made[-1]

        monkeypatch.setattr(building, "build_archive", slow)
        first = pack.current
        with django_capture_on_commit_callbacks(execute=True):
            work("build_pack")
        assert not first.archives.exists()
        assert not keeping.shelf().exists(made[0].key)

    def test_a_worker_that_overslept_leaves_nothing_behind(self, pack, monkeypatch):
        job = Job.objects.get(kind="build_pack", subject__endswith="wav")
        made = []
        build = building.build_archive

        def slow(version, form):
            made.append(build(version, form))
            Job.objects.filter(pk=job.pk).update(lease_token=None)  # another worker took over
            return made[-1]

        monkeypatch.setattr(building, "build_archive", slow)
        assert not running.run(job.pk)
        assert kept(pack) is None
        assert not keeping.shelf().exists(made[0].key)
