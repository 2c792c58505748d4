"""Imports go down only. Reads every import of the project and says which file broke which line."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
OURS = ("analysis", "academy", "contests", "fixtures", "tests")
DJANGO_FREE = ("analysis.dsp", "analysis.audiofile", "contests.scoring", "fixtures")

# The rooms of the academy, upper ones first: each may import those after it.
ACADEMY = ("practice", "courses", "recall", "packs", "members", "letters")

# What all of them share.
ACADEMY_SHARED = ("academy.moments", "academy.moment_fields", "academy.templatetags")

# Most particular first: the first line whose room holds the file applies.
FLOORS: list[tuple[str, tuple[str, ...]]] = [
    ("analysis.dsp", ("analysis.dsp",)),
    ("analysis.audiofile", ("analysis.audiofile",)),
    ("analysis", ("analysis",)),
    ("academy.config", ("academy.config",)),
    *[
        (
            f"academy.{room}",
            (
                *[f"academy.{lower}" for lower in ACADEMY[at:]],
                *ACADEMY_SHARED,
                "analysis",
            ),
        )
        for at, room in enumerate(ACADEMY)
    ],
    ("academy", ("academy", "analysis")),
    ("contests.scoring", ("contests.scoring",)),
    ("contests.management.commands.demo", ("contests", "academy", "analysis", "fixtures")),
    ("contests.demo", ("contests", "academy", "analysis", "fixtures")),
    ("contests", ("contests", "academy", "analysis")),
    ("fixtures", ("fixtures", "analysis.dsp")),
    ("tests", OURS),
    ("manage", ("academy.config",)),
]


def python_files() -> list[Path]:
    """Every file of ours, manage.py included."""
    folders = [path for name in OURS for path in (ROOT / name).rglob("*.py")]
    return sorted([*folders, ROOT / "manage.py"])


def module_of(path: Path) -> str:
    """The dotted name of a file."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports_of(path: Path) -> list[tuple[int, str]]:
    """Line and dotted name of everything that a file imports, wherever it stands."""
    found = []
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: imports are absolute here"
            # `from a import b` may name the module a.b as well as a name inside a.
            found += [(node.lineno, f"{node.module}.{alias.name}") for alias in node.names]
    return found


def is_in(module: str, room: str) -> bool:
    """Whether a dotted name lies in a room."""
    return module == room or module.startswith(f"{room}.")


def broken_lines(module: str, imports: list[tuple[int, str]]) -> list[str]:
    """What a module imports that its floor does not allow."""
    allowed = next(may for room, may in FLOORS if is_in(module, room))
    broken = []
    for line, name in imports:
        ours = name.split(".")[0] in OURS
        if ours and not any(is_in(name, room) for room in allowed):
            broken.append(f"{module}:{line} imports {name}")
        if name.split(".")[0] == "django" and any(is_in(module, room) for room in DJANGO_FREE):
            broken.append(f"{module}:{line} imports {name} in a room without Django")
    return broken


def test_imports_go_down_only():
    broken = [line for path in python_files() for line in broken_lines(module_of(path), imports_of(path))]
    assert not broken, "\n".join(broken)


@pytest.mark.parametrize(
    ("module", "name"),
    [
        ("analysis.dsp.loudness", "analysis.audiofile"),
        ("analysis.jobs.running", "contests.models"),
        ("academy.packs.views", "academy.courses.models"),
        ("academy.config.settings", "contests"),
        ("contests.scoring.severity", "django.db"),
        ("contests.judging.views", "fixtures.scenario"),
    ],
)
def test_an_upward_import_is_found(module: str, name: str):
    assert broken_lines(module, [(1, name)])


def test_the_top_level_is_the_house():
    visible = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    house = {"README.md", "DEVELOPERS.md", "manage.py", "requirements.txt", *OURS}
    assert visible <= house, visible - house


def test_no_academy_page_mentions_a_contest():
    pages = [*(ROOT / "academy").rglob("*.html"), *(ROOT / "analysis").rglob("*.html")]
    assert pages
    assert not [page for page in pages if "contest" in page.read_text().lower()]
