"""The `rank` command: its lines and exit statuses, and no traceback whatever the file holds."""

import json
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from tests import commands

HEADER = "entry,judge,criterion,score\n"

# Montgomery's catalysts (source and marks in scoring/test_severity.py).
CATALYSTS = HEADER + "".join(
    f"{entry},{judge},overall,{score}\n"
    for entry, judge, score in [
        *(("E1", "J1", 73), ("E1", "J2", 74), ("E1", "J4", 71)),
        *(("E2", "J2", 75), ("E2", "J3", 67), ("E2", "J4", 72)),
        *(("E3", "J1", 73), ("E3", "J2", 75), ("E3", "J3", 68)),
        *(("E4", "J1", 75), ("E4", "J3", 72), ("E4", "J4", 75)),
    ]
)
PANELS = HEADER + "A,J1,overall,8\nB,J1,overall,6\nC,J2,overall,7\nD,J2,overall,6\n"

ENTRY_KEYS = ["entry", "place", "tied_with_first", "raw_mean", "adjusted", "standard_error", "hearings"]
SUMMARY_KEYS = [
    *("summary", "connected", "components", "degrees_of_freedom", "residual_sd", "kendall_w"),
    *("icc_agreement", "icc_consistency", "alpha_interval", "method"),
]


@pytest.fixture
def write(tmp_path):
    def _write(content: str | bytes, name: str = "scores.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return _write


@pytest.fixture
def run(capsys):
    """The command as a shell calls it: exit status, standard output, standard error."""
    return lambda *words: commands.call(capsys, "rank", *words)


def json_rows(out: str) -> list[dict]:
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    return [json.loads(line, parse_constant=refuse) for line in out.splitlines()]


class TestJson:
    def test_it_prints_entries_then_judges_then_the_summary(self, run, write):
        status, out, err = run(write(CATALYSTS), "--json")
        rows = json_rows(out)
        assert (status, err) == (0, "")
        assert [row.get("entry") for row in rows[:4]] == ["E4", "E3", "E2", "E1"]
        assert [row.get("judge") for row in rows[4:8]] == ["J1", "J2", "J3", "J4"]
        assert all(list(row) == ENTRY_KEYS for row in rows[:4])
        assert all(list(row)[:3] == ["judge", "severity", "hearings"] for row in rows[4:8])
        assert list(rows[8]) == SUMMARY_KEYS
        assert len(rows) == 9
        assert rows[0]["adjusted"] == pytest.approx(75.0, abs=1e-9)
        assert rows[0]["standard_error"] == pytest.approx(0.486805, abs=5e-7)
        assert rows[8]["residual_sd"] ** 2 == pytest.approx(0.65, abs=1e-9)
        assert rows[8]["kendall_w"] is None

    def test_weights_change_the_order(self, run, write):
        scores = write(HEADER + "A,J1,x,9\nA,J1,y,1\nB,J1,x,6\nB,J1,y,6\n")
        _, out, _ = run(scores, "--json")
        assert [row["entry"] for row in json_rows(out)[:2]] == ["B", "A"]
        _, out, _ = run(scores, "--json", "--weights", write("criterion,weight\nx,9\ny,1\n", "w.csv"))
        assert [row["entry"] for row in json_rows(out)[:2]] == ["A", "B"]

    def test_two_panels_get_no_joint_place(self, run, write):
        status, out, err = run(write(PANELS), "--json")
        rows = json_rows(out)
        assert status == 1
        assert "No joint ranking" in err
        shown = [
            (row["entry"], row["place"], row["component"], row["place_in_component"]) for row in rows[:4]
        ]
        assert shown == [("A", None, 1, 1), ("B", None, 1, 2), ("C", None, 2, 1), ("D", None, 2, 2)]
        assert rows[-1]["connected"] is False
        assert rows[-1]["components"] == 2


class TestTable:
    def test_it_is_readable(self, run, write):
        status, out, _ = run(write(CATALYSTS))
        assert status == 0
        lines = out.splitlines()
        assert lines[0].split() == [
            "place",
            "entry",
            "adjusted",
            "std.",
            "error",
            "raw",
            "mean",
            "hearings",
            "against",
            "the",
            "first",
        ]
        assert lines[1].split() == ["1", "E4", "75.000", "0.487", "74.000", "3", "first"]
        assert "F(3, 5) = 11.67, p = 0.0107" in out
        assert "J2       −3.000" in out  # a true minus sign

    def test_it_reports_a_tie_and_its_breaking(self, run, write):
        rows = "A,J1,o,9\nA,J2,o,6\nA,J3,o,6\nB,J1,o,7\nB,J2,o,7\nB,J3,o,7\n"
        _, out, _ = run(write(HEADER + rows))
        assert "Place 1 is shared by A, B" in out
        assert "B before A" in out

    def test_it_shows_components_apart(self, run, write):
        status, out, _ = run(write(PANELS))
        assert status == 1
        assert "Component 1, ranked by itself" in out
        assert "Component 2, ranked by itself" in out


class TestRefusals:
    @pytest.mark.parametrize(
        ("content", "message"),
        [
            ("", "empty"),
            (HEADER, "no row below"),
            (b"RIFF\xff\xfe\x00\x00WAVEfmt ", "not a text file"),
            (CATALYSTS.replace(",", ";"), "semicolons"),
            (CATALYSTS.replace("score\n", "points\n"), 'column "score" is missing'),
            (CATALYSTS + "E4,J1,overall,75\n", "line 14: the same entry, judge and criterion as line 11"),
            (CATALYSTS + "E5,J1,overall,lovely\n", 'line 14, column "score": "lovely" is not a number'),
            (CATALYSTS + "E5,J1,balance,7\n", "Judge J1, entry E1: the sheet lacks balance"),
        ],
        ids=["empty", "header only", "binary", "semicolons", "header", "twice", "not a number", "incomplete"],
    )
    @pytest.mark.parametrize("form", ["table", "json"])
    def test_bad_scores_exit_with_1(self, run, write, content, message, form):
        status, out, err = run(write(content), *(["--json"] if form == "json" else []))
        assert (status, out) == (1, "")
        assert message in err

    def test_a_missing_file_exits_with_1(self, run, tmp_path):
        status, out, err = run(tmp_path / "none.csv")
        assert (status, out) == (1, "")
        assert "cannot be read: No such file" in err

    @pytest.mark.parametrize(
        ("weights", "message"),
        [
            ("criterion,weight\noverall,1\nwidth,1\n", "Criterion width has a weight and no scores"),
            ("criterion,weight\nwidth,1\n", "Criterion overall has scores and no weight"),
            ("criterion,weight\noverall,-1\n", "0 or more"),
            ("criterion;weight\noverall;1\n", "semicolons"),
        ],
    )
    def test_bad_weights_exit_with_1(self, run, write, weights, message):
        status, out, err = run(write(CATALYSTS), "--weights", write(weights, "w.csv"))
        assert (status, out) == (1, "")
        assert message in err

    @pytest.mark.parametrize("words", [[], ["a.csv", "b.csv"], ["a.csv", "--what"]])
    def test_a_wrong_call_exits_with_2(self, run, words):
        status, out, err = run(*words)
        assert (status, out) == (2, "")
        assert "usage:" in err

    def test_a_byte_order_mark_is_no_fault(self, run, write):
        with_mark, without = run(write("\ufeff" + CATALYSTS), "--json"), run(write(CATALYSTS), "--json")
        assert with_mark == without

    def test_code_that_calls_it_gets_a_command_error(self, write):
        with pytest.raises(CommandError) as refusal:
            call_command("rank", str(write("")))
        assert refusal.value.returncode == 1
