"""The `verify` command finds every change to what was sealed or recorded."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.intake import keeping
from contests import decisions
from contests.entering.receipts import signed_receipt
from contests.models import Decision
from tests import cast, commands
from tests.contests import stages
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db


@pytest.fixture
def run(capsys):
    """The command as a shell calls it: exit status, standard output, standard error."""
    return lambda *words: commands.call(capsys, "verify", *words)


class TestRecordings:
    def test_untouched_ones_hold(self, run):
        cast.recording()
        assert run() == (0, "", "1 recording and 0 decision logs hold.\n")

    def test_one_changed_byte_is_found(self, run):
        recording = cast.recording(original_name="mine.wav")
        path = Path(keeping.shelf().path(recording.storage_key))
        path.chmod(0o600)
        blob = bytearray(path.read_bytes())
        blob[-1] ^= 1
        path.write_bytes(blob)
        status, out, err = run()
        assert (status, "mine.wav) holds other bytes than were sealed" in out) == (1, True)
        assert "1 of 1 recordings" in err

    def test_a_shortened_and_a_lost_one_are_found(self, run):
        short, lost = cast.recording(), cast.recording()
        path = Path(keeping.shelf().path(short.storage_key))
        path.chmod(0o600)
        path.write_bytes(path.read_bytes()[:-1])
        keeping.discard(lost.storage_key)
        status, out, _ = run()
        assert status == 1
        assert f"should hold {short.size_bytes}" in out
        assert "cannot be read: No such file" in out


class TestLogs:
    def test_an_altered_line_is_found(self, run):
        stage = stages.entered()
        for _ in range(2):
            stages.screening_line(stage)
            stage.entries.pop(0)
        assert run()[0] == 0
        Decision.objects.filter(number=1).update(reason="Something else.")
        status, out, _ = run()
        assert (status, out) == (1, f"decision log of {stage.contest.slug}: line 1 does not follow\n")

    def test_a_log_from_before_its_words_were_changed_still_holds(self, run):
        """The hash covers a line as it was written; what a later version would write does not matter."""
        stage = stages.entered()
        for action in ("seat judge", "assign hearings", "remove judge", "judge removed"):
            decisions.record(stage.contest, action, actor=stage.host, now=AFTER_THE_CLOSE)
        assert run()[0] == 0
        Decision.objects.filter(action="seat judge").update(action="judge seated")
        assert run()[0] == 1


class TestReceipts:
    def test_a_genuine_and_a_changed_one(self, run, tmp_path: Path):
        stage = stages.entered()
        text = signed_receipt(stage.entries[0])
        good, bad, other = tmp_path / "good.txt", tmp_path / "bad.txt", tmp_path / "other.bin"
        good.write_text(text)
        bad.write_text(text.replace("bytes", "bites"))
        other.write_bytes(b"\xff\x00")
        assert run(good)[0] == 0
        status, out, err = run(good, bad, other, tmp_path / "none")
        assert status == 1
        assert f"{good}: genuine." in out
        assert f"{bad}: not genuine. The signature does not fit" in out
        assert f"{other}: not genuine." in out
        assert "cannot be read" in out
        assert "3 of 4 are not genuine" in err
