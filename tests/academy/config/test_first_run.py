"""A bare Python makes itself a home once, says what is missing, and leaves other people's homes alone."""

from __future__ import annotations

import os
import subprocess
import sys
import types
from pathlib import Path

import pytest

from academy.config import first_run

ROOT = first_run.ROOT
SAYS_WHO = "import sys; print('inside' if sys.prefix != sys.base_prefix else 'outside', *sys.argv[1:])\n"


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A project with nothing to install: its manage.py says which Python runs it, and with which words."""
    (tmp_path / "tests").mkdir()
    (tmp_path / "requirements.txt").write_text("# nothing\n")
    (tmp_path / "tests/requirements.txt").write_text("-r ../requirements.txt\n")
    monkeypatch.setattr(first_run, "ROOT", tmp_path)
    monkeypatch.setattr(first_run, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(first_run, "PYTHON", tmp_path / ".venv/bin/python")
    monkeypatch.setattr(first_run, "SITE_PACKAGES", tmp_path / "requirements.txt")
    monkeypatch.setattr(first_run, "TEST_PACKAGES", tmp_path / "tests/requirements.txt")
    return tmp_path


@pytest.fixture
def bare(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Make this Python look bare, and note what is installed and started instead of doing it."""
    monkeypatch.setattr(
        first_run.importlib.util, "find_spec", lambda name: None if name == "django" else True
    )
    notes: list[str] = []
    monkeypatch.setattr(first_run, "_install", lambda wanted: notes.append(f"install {wanted.name}"))
    monkeypatch.setattr(first_run.os, "execv", lambda path, command: notes.append(" ".join(command[2:])))
    return notes


class TestEnsurePackages:
    def test_an_own_environment_with_django_is_left_alone(self, tree, bare, monkeypatch):
        monkeypatch.setattr(first_run.importlib.util, "find_spec", lambda name: True)
        first_run.ensure_packages(["manage.py", "check"])
        assert bare == []

    def test_a_bare_python_installs_and_starts_again_with_the_same_words(self, tree, bare):
        first_run.ensure_packages(["manage.py", "demo", "--port", "9000"])
        assert bare == ["install requirements.txt", "demo --port 9000"]

    def test_tests_need_their_own_packages_too(self, tree, bare, monkeypatch):
        wanted = []
        monkeypatch.setattr(first_run, "_install", wanted.append)
        first_run.ensure_packages(["manage.py", "test"])
        assert wanted == [tree / "tests/requirements.txt"]

    def test_inside_a_complete_home_nothing_happens(self, tree, bare, monkeypatch):
        monkeypatch.setattr(first_run.sys, "prefix", str(tree / ".venv"))
        self.complete(tree)
        first_run.ensure_packages(["manage.py", "check"])
        assert bare == []

    def test_changed_requirements_are_installed_before_the_next_start(self, tree, bare, monkeypatch):
        monkeypatch.setattr(first_run.sys, "prefix", str(tree / ".venv"))
        self.complete(tree)
        (tree / "requirements.txt").write_text("something==1\n")
        first_run.ensure_packages(["manage.py", "check"])
        assert bare == ["install requirements.txt", "check"]

    def test_an_old_python_is_told_which_it_takes(self, tree, bare, monkeypatch, capsys):
        monkeypatch.setattr(
            first_run,
            "sys",
            types.SimpleNamespace(version_info=(3, 10, 4), version="3.10.4 (main)", stderr=sys.stderr),
        )
        with pytest.raises(SystemExit) as gave_up:
            first_run.ensure_packages(["manage.py", "check"])
        assert gave_up.value.code == 2
        assert "needs Python 3.11 or newer; this is 3.10.4" in capsys.readouterr().err

    def complete(self, tree: Path) -> None:
        """A home in which everything is installed."""
        first_run.PYTHON.parent.mkdir(parents=True)
        first_run.PYTHON.touch()
        first_run._stamp_of(tree / "requirements.txt").write_text(
            first_run._digest_of(tree / "requirements.txt")
        )


class TestAMissingVenv:
    def test_the_package_that_brings_it_is_named_and_nothing_is_made(self, tree, monkeypatch, capsys):
        monkeypatch.setattr(first_run.importlib.util, "find_spec", lambda name: None)
        with pytest.raises(SystemExit) as gave_up:
            first_run.ensure_packages(["manage.py", "demo"])
        assert gave_up.value.code == 2
        assert "sudo apt install python3-venv" in capsys.readouterr().err
        assert not (tree / ".venv").exists()


class TestABareTree:
    """The real thing, in a copy of the file that matters, with nothing to install and no Django."""

    @pytest.fixture
    def copy(self, tmp_path: Path) -> Path:
        """A tree that a bare Python has never seen."""
        for name in ("academy/__init__.py", "academy/config/__init__.py", "academy/config/first_run.py"):
            (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / name).write_text((ROOT / name).read_text())
        (tmp_path / "tests").mkdir()
        (tmp_path / "requirements.txt").write_text("# nothing\n")
        (tmp_path / "tests/requirements.txt").write_text("-r ../requirements.txt\n")
        (tmp_path / "manage.py").write_text(
            "import sys\nfrom academy.config import first_run\nfirst_run.ensure_packages(sys.argv)\n"
            + SAYS_WHO
        )
        return tmp_path

    def run(self, tree: Path, *words: str) -> subprocess.CompletedProcess[str]:
        """Run its manage.py by the Python under this one; `-S` leaves out whatever that has installed."""
        command = [os.path.realpath(sys.executable), "-S", "manage.py", *words]
        environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
        return subprocess.run(command, env=environment, capture_output=True, text=True, check=False, cwd=tree)

    def test_the_first_run_makes_a_home_and_the_second_uses_it(self, copy):
        first = self.run(copy, "check", "--fail-level", "WARNING")
        assert first.stdout == "inside check --fail-level WARNING\n", first.stderr
        assert "Making a home" in first.stderr
        made = (copy / ".venv/made").stat().st_mtime_ns
        second = self.run(copy, "check")
        assert (second.stdout, second.stderr) == ("inside check\n", "")
        assert (copy / ".venv/made").stat().st_mtime_ns == made

    def test_a_home_made_for_the_tests_serves_the_site_too(self, copy):
        assert "Installing the packages of tests/requirements.txt" in self.run(copy, "test").stderr
        after = self.run(copy, "check")
        assert (after.stdout, after.stderr) == ("inside check\n", "")

    def test_a_home_half_made_is_made_again(self, copy):
        (copy / ".venv/bin").mkdir(parents=True)
        (copy / ".venv/bin/python").write_text("#!/bin/false\n")
        done = self.run(copy, "check")
        assert done.stdout == "inside check\n", done.stderr
