"""A ZIP archive of stems, honest and hostile: every track comes in, or nothing does."""

from __future__ import annotations

import stat
import struct
import subprocess
import zipfile
from contextlib import contextmanager
from pathlib import Path
from uuid import UUID, uuid4

import numpy as np
import pytest
from django.conf import settings
from django.db import OperationalError
from django.utils import timezone

from academy.packs import unpacking, zipreading
from academy.packs.models import StemPack, Unpacking
from academy.packs.zipreading import ZipRefused
from analysis import audiofile
from analysis.intake import keeping
from analysis.intake.models import Recording, Upload
from analysis.intake.resumable import appending, opening
from analysis.jobs.claiming import Claim
from tests import cast
from tests.academy.packs import making

MEBIBYTE = 2**20


@pytest.fixture(scope="module")
def stem(tmp_path_factory) -> bytes:
    """A short stem as a file's bytes."""
    path = tmp_path_factory.mktemp("stem") / "stem.wav"
    audiofile.write_wav(path, [cast.tone(seconds=0.1)], rate_hz=48_000, channels=2)
    return path.read_bytes()


@pytest.fixture
def pack_up(tmp_path, stem):
    """Write an archive of (name, bytes), the stem where None, and return its path."""

    def write(*entries, method: int = zipfile.ZIP_DEFLATED) -> Path:
        path = tmp_path / "stems.zip"
        with zipfile.ZipFile(path, "w", method) as archive:
            for name, blob in entries:
                archive.writestr(name, stem if blob is None else blob)
        return path

    return write


def contents(path: Path, *, largest_bytes: int = MEBIBYTE) -> tuple[list[str], list[str]]:
    """The names of the tracks, and of what was left out."""
    with zipreading.opened(path, largest_bytes=largest_bytes) as found:
        for track in found.tracks:
            assert len(b"".join(found.blocks_of(track))) == track.size_bytes
        return [track.name for track in found.tracks], found.left_out


class TestHonest:
    def test_tracks_in_any_folder_papers_left_out_and_hidden_files_not_mentioned(self, pack_up):
        path = pack_up(
            ("Tracks/Kick.wav", None),
            ("Tracks/more/Bass.flac", None),
            ("Tracks/notes.txt", b"Bring tea."),
            ("Tracks/.hidden", b"x"),
            ("__MACOSX/Tracks/._Kick.wav", b"x"),
        )
        assert contents(path) == (["Kick.wav", "Bass.flac"], ["notes.txt"])

    def test_names_in_utf_8_with_and_without_its_flag(self, pack_up):
        path = pack_up(("Flöte – a.wav", None))
        assert contents(path)[0] == ["Flöte – a.wav"]
        blob = bytearray(path.read_bytes())
        # APPNOTE 4.4.4: bit 11 of the flags, at byte 6 of the local header and 8 of the central one.
        for signature, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
            flags = blob.index(signature) + at
            (value,) = struct.unpack_from("<H", blob, flags)
            struct.pack_into("<H", blob, flags, value & ~0x800)
        path.write_bytes(blob)
        assert contents(path)[0] == ["Flöte – a.wav"]

    @pytest.mark.needs("unzip")
    def test_what_we_take_the_machine_s_own_program_takes_too(self, pack_up):
        path = pack_up(("Kick.wav", None), method=zipfile.ZIP_STORED)
        assert contents(path)[0] == ["Kick.wav"]
        subprocess.run(["unzip", "-tq", path], check=True, capture_output=True)


class TestHostile:
    @pytest.mark.parametrize(
        "name",
        [
            "../evil.wav",
            "Tracks/../../evil.wav",
            "/etc/evil.wav",
            "C:/evil.wav",
            "a\\..\\evil.wav",
            "..\\e.wav",
        ],
    )
    def test_a_path_that_leads_elsewhere(self, pack_up, name):
        with pytest.raises(ZipRefused, match="leads elsewhere"):
            contents(pack_up(("Kick.wav", None), (name, None)))

    def test_a_link(self, pack_up):
        link = zipfile.ZipInfo("Kick.wav")
        link.create_system, link.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
        with pytest.raises(ZipRefused, match="link or a device"):
            contents(pack_up((link, b"/etc/passwd")))

    def test_an_archive_inside(self, pack_up):
        with pytest.raises(ZipRefused, match="another archive inside"):
            contents(pack_up(("Kick.wav", None), ("more.zip", b"PK")))

    @pytest.mark.parametrize(
        "names",
        [("a/Kick.wav", "b/Kick.wav"), ("Kick.wav", "KICK.flac"), ("Gr\u00fcn.wav", "gru\u0308n.wav")],
    )
    def test_two_stems_of_one_name(self, pack_up, names):
        with pytest.raises(ZipRefused, match="two files called"):
            contents(pack_up(*[(name, None) for name in names]))

    @pytest.mark.parametrize(
        "name", ["9" * 5_000 + ".wav", "Kick\n.wav", "Kick\x1b[2J.wav", "ü" * 130 + ".wav"]
    )
    def test_a_name_that_no_system_takes(self, pack_up, name):
        with pytest.raises(ZipRefused, match="no name that a file system takes") as refusal:
            contents(pack_up((name, None)))
        assert str(refusal.value).isprintable()

    def test_a_name_that_begins_with_a_null(self, pack_up):
        path = pack_up(("XKick.wav", None))
        path.write_bytes(path.read_bytes().replace(b"XKick", b"\0Kick"))
        with pytest.raises(ZipRefused, match="leads elsewhere"):
            contents(path)

    def test_a_null_in_a_path_is_shown_as_what_can_be_shown(self, pack_up):
        path = pack_up(("KickX.wav", None))
        path.write_bytes(path.read_bytes().replace(b"KickX", b"Kick\0"))
        with pytest.raises(ZipRefused, match=r"“Kick\?\.wav”") as refusal:
            contents(path)
        assert str(refusal.value).isprintable()

    def test_an_encrypted_one(self, pack_up):
        path = pack_up(("Kick.wav", None))
        blob = bytearray(path.read_bytes())
        blob[blob.index(b"PK\x01\x02") + 8] |= 1  # APPNOTE 4.4.4: bit 0
        path.write_bytes(blob)
        with pytest.raises(ZipRefused, match="encrypted"):
            contents(path)

    @pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
    def test_an_unusual_method(self, pack_up, method):
        with pytest.raises(ZipRefused, match="unusual method"):
            contents(pack_up(("Kick.wav", None), method=method))

    def test_too_many_files(self, pack_up, monkeypatch):
        monkeypatch.setattr(zipreading, "MOST_ENTRIES", 3)
        with pytest.raises(ZipRefused, match="more than 3 files"):
            contents(pack_up(*[(f"{n}.wav", b"") for n in range(4)]))

    def test_a_bomb_by_its_ratio(self, pack_up, monkeypatch):
        monkeypatch.setattr(zipreading, "HARMLESS_BYTES", MEBIBYTE)
        bomb = pack_up(*[(f"{n}.wav", bytes(MEBIBYTE)) for n in range(3)])
        with pytest.raises(ZipRefused, match="out of all proportion"):
            contents(bomb)

    def test_a_bomb_by_its_total(self, pack_up, monkeypatch):
        monkeypatch.setattr(zipreading, "MOST_UNPACKED_BYTES", MEBIBYTE)
        noise = np.random.default_rng(1).bytes(MEBIBYTE)
        with pytest.raises(ZipRefused, match="out of all proportion"):
            contents(pack_up(("a.wav", noise), ("b.wav", noise)))

    def test_one_stem_larger_than_is_taken(self, pack_up):
        with pytest.raises(ZipRefused, match=r"“Big\.wav” takes 2 MiB; one stem may take 1 MiB"):
            contents(pack_up(("Big.wav", bytes(2 * MEBIBYTE))))

    def test_more_bytes_than_it_announced(self, pack_up, stem):
        path = pack_up(("Kick.wav", bytes(5_000)))
        blob = bytearray(path.read_bytes())
        struct.pack_into("<L", blob, blob.index(b"PK\x01\x02") + 24, 100)  # APPNOTE 4.3.12: uncompressed size
        path.write_bytes(blob)
        with pytest.raises(ZipRefused, match="damaged inside"):
            contents(path)

    @pytest.mark.parametrize("cut", [0, 10, 300, -5])
    def test_one_that_broke_off_or_is_none(self, pack_up, cut):
        path = pack_up(("Kick.wav", None), ("Bass.wav", None))
        path.write_bytes(path.read_bytes()[:cut])
        with pytest.raises(ZipRefused):
            contents(path)

    def test_a_damaged_byte(self, pack_up):
        path = pack_up(("Kick.wav", None), method=zipfile.ZIP_STORED)
        blob = bytearray(path.read_bytes())
        blob[len(blob) // 2] ^= 1
        path.write_bytes(blob)
        with pytest.raises(ZipRefused, match="damaged inside"):
            contents(path)

    @pytest.mark.parametrize("seed", range(60))
    def test_random_damage_is_refused_or_harmless_and_never_anything_else(self, pack_up, seed):
        path = pack_up(("a/Kick.wav", None), ("notes.txt", b"tea"))
        blob = bytearray(path.read_bytes())
        random = np.random.default_rng(seed)
        for at in (
            random.integers(0, len(blob), 6) if seed % 2 else random.integers(len(blob) - 250, len(blob), 3)
        ):
            blob[at] = random.integers(0, 256)
        path.write_bytes(blob)
        try:
            contents(path)
        except ZipRefused as refusal:  # anything else that is raised fails the test
            assert str(refusal)  # noqa: PT017  both ways are right, so `raises` cannot say it


@pytest.mark.django_db
class TestIntoAPack:
    @pytest.fixture
    def host(self):
        return cast.host()

    @pytest.fixture
    def pack(self, tmp_path) -> StemPack:
        return making.draft(tmp_path, ["Kick"])

    def sent(self, host, path: Path) -> UUID:
        """An upload of this file that has arrived."""
        blob = path.read_bytes()
        upload = opening.open_upload(
            owner=host, size_bytes=len(blob), metadata="filename c3RlbXMuemlw", now=timezone.now()
        )
        appending.append(
            upload.pk,
            owner=host,
            offset_bytes=0,
            announced_bytes=len(blob),
            blocks=iter([blob]),
            checksum=None,
        )
        return upload.pk

    def run(self, pack, host, path, work) -> Unpacking:
        asked = unpacking.request_unpacking(pack, self.sent(host, path), owner=host, now=cast.NOW)
        work("unpack_stems")
        asked.refresh_from_db()
        return asked

    def test_its_tracks_follow_in_counting_order(self, pack, host, pack_up, work):
        path = pack_up(("10 Voice.wav", None), ("2 Bass.wav", None), ("notes.txt", b"tea"))
        asked = self.run(pack, host, path, work)
        assert (asked.state, asked.done, asked.total) == ("taken", 2, 2)
        assert asked.lines == ["“notes.txt” is no sound file and was left out."]
        assert [stem.name for stem in pack.stems.all()] == ["Kick", "Bass", "Voice"]
        assert {stem.recording.owner for stem in pack.stems.all()[1:]} == {host}
        assert not Upload.objects.exists()

    @pytest.mark.parametrize(
        ("entries", "reason"),
        [
            ([("Bass.wav", None), ("Voice.wav", b"RIFF but no more")], "“Voice.wav” cannot be taken"),
            ([("Bass.wav", None), ("Kick.wav", None)], "has a stem “Kick” already"),
            ([("Bass.wav", None), ("../x.wav", None)], "leads elsewhere"),
        ],
    )
    def test_one_bad_track_and_nothing_is_left_behind(self, pack, host, pack_up, work, entries, reason):
        before = files_kept()
        asked = self.run(pack, host, pack_up(*entries), work)
        assert asked.state == "refused"
        assert reason in asked.lines[0]
        assert (pack.stems.count(), Recording.objects.count()) == (1, 1)
        assert not Upload.objects.exists()
        assert files_kept() == before

    def test_where_the_answer_to_the_commit_is_lost_the_stems_keep_their_bytes(
        self, pack, host, pack_up, work, monkeypatch
    ):
        finishing = Claim.finishing

        @contextmanager
        def answer_lost(claim):
            with finishing(claim):
                yield
            raise OperationalError("server closed the connection unexpectedly")

        with monkeypatch.context() as broken:
            broken.setattr(Claim, "finishing", answer_lost)
            self.run(pack, host, pack_up(("Bass.wav", None)), work)
        bass = pack.stems.get(name="Bass")
        assert keeping.shelf().exists(bass.recording.storage_key)

    def test_asking_twice_unpacks_once(self, pack, host, pack_up, work):
        upload_id = self.sent(host, pack_up(("Bass.wav", None)))
        first = unpacking.request_unpacking(pack, upload_id, owner=host, now=cast.NOW)
        work("unpack_stems")
        assert unpacking.request_unpacking(pack, upload_id, owner=host, now=cast.NOW) == first
        work("unpack_stems")
        assert pack.stems.count() == 2

    def test_somebody_elses_upload_is_not_there(self, pack, host, pack_up, client):
        upload_id = self.sent(cast.host(), pack_up(("Bass.wav", None)))
        client.force_login(host)
        for wanted in (upload_id, uuid4()):
            data = {"upload": str(wanted), "name": "stems.zip"}
            response = client.post(
                "/packs/hosting/harbour/add/", data, headers={"Accept": "application/json"}
            )
            assert response.status_code == 404
        assert not Unpacking.objects.exists()


def files_kept() -> int:
    """How many files lie on the shelf and in the places of uploads."""
    shelf = sum(path.is_file() for path in (settings.DATA_DIR / "recordings").rglob("*"))
    return shelf + sum(path.is_file() for path in settings.INCOMING_DIR.rglob("*"))
