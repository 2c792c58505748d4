"""The `assign` command: its lines, exit statuses and reasons."""

import json

import pytest

from tests import commands


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    """The command as a shell calls it, in a folder with `e.csv` (six entries) and `j.csv` (four judges)."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "e.csv").write_text("entry\n" + "".join(f"E{number}\n" for number in range(6)))
    (tmp_path / "j.csv").write_text("judge\nJ0\nJ1\nJ2\nJ3\n")

    def _run(*words: str, entries: str = "e.csv", hearings: str = "2") -> commands.Outcome:
        lists = ("--entries", entries, "--judges", "j.csv", "--hearings", hearings)
        return commands.call(capsys, "assign", *lists, *words)

    return _run


class TestAssign:
    def test_it_prints_a_line_a_hearing_and_the_summary(self, run):
        status, out, _ = run("--json", "--seed", "4")
        rows = [json.loads(line) for line in out.splitlines()]
        assert status == 0
        assert len(rows) == 13
        assert all(list(row) == ["judge", "position", "entry"] for row in rows[:-1])
        assert [row["position"] for row in rows[:-1] if row["judge"] == "J2"] == [1, 2, 3]
        assert list(rows[-1]) == ["summary", "loads_min", "loads_max", "connected", "strength"]
        assert (rows[-1]["loads_min"], rows[-1]["loads_max"], rows[-1]["connected"]) == (3, 3, True)
        assert 0 < rows[-1]["strength"] <= 1
        assert run("--json", "--seed", "4") == (status, out, "")
        assert run("--json", "--seed", "5") != (status, out, "")

    def test_it_is_readable_without_json(self, run):
        status, out, _ = run()
        assert status == 0
        assert out.splitlines()[0].split() == ["judge", "position", "entry"]
        assert "Hearings a judge: 3 to 3. All judges linked by common entries: yes." in out

    def test_it_takes_conflicts_and_anchors(self, run, tmp_path):
        (tmp_path / "c.csv").write_text("judge,entry\nJ0,E1\nJ3,E1\n")
        (tmp_path / "a.csv").write_text("entry\nE0\n")
        _, out, _ = run("--json", "--conflicts", "c.csv", "--anchors", "a.csv")
        rows = [json.loads(line) for line in out.splitlines()][:-1]
        assert {row["judge"] for row in rows if row["entry"] == "E1"} == {"J1", "J2"}
        assert {row["judge"] for row in rows if row["entry"] == "E0"} == {"J0", "J1", "J2", "J3"}

    def test_what_cannot_be_done_exits_with_1_and_the_reason(self, run):
        status, out, err = run("--json", hearings="5")
        assert (status, out) == (1, "")
        assert "5 hearings an entry need 5 judges; there are 4" in err

    @pytest.mark.parametrize(
        ("content", "message"),
        [
            ("name\nE1\n", 'column "entry" is missing'),
            ("entry\nE1\nE1\n", "The entry E1 is listed twice"),
            ("", "empty"),
        ],
    )
    def test_a_bad_list_exits_with_1(self, run, tmp_path, content, message):
        (tmp_path / "bad.csv").write_text(content)
        status, out, err = run(entries="bad.csv")
        assert (status, out) == (1, "")
        assert message in err

    def test_a_missing_list_exits_with_1(self, run):
        status, _, err = run(entries="none.csv")
        assert status == 1
        assert "cannot be read: No such file" in err

    @pytest.mark.parametrize("hearings", ["0", "-1", "two"])
    def test_a_wrong_count_exits_with_2(self, run, hearings):
        status, _, err = run(hearings=hearings)
        assert status == 2
        assert "--hearings" in err
