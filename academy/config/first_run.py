"""Make `.venv` and fill it, when the interpreter at hand has no Django. Standard library only."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
VENV = ROOT / ".venv"
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
OLDEST_PYTHON = (3, 11)

SITE_PACKAGES = ROOT / "requirements.txt"
TEST_PACKAGES = ROOT / "tests" / "requirements.txt"


def ensure_packages(argv: list[str]) -> None:
    """Return when every package is at hand; otherwise install them and start again inside `.venv`.

    An interpreter outside `.venv` that already has Django is somebody's own environment and is left alone.
    """
    if sys.version_info < OLDEST_PYTHON:
        _give_up(f"This needs Python 3.11 or newer; this is {sys.version.split()[0]}.")
    inside = Path(sys.prefix).resolve() == VENV.resolve()
    if not inside and importlib.util.find_spec("django"):
        return

    wanted = TEST_PACKAGES if argv[1:2] == ["test"] else SITE_PACKAGES
    installed = _is_installed(wanted)
    if inside and installed:
        return
    if not installed:
        _install(wanted)
    _start_again(argv)


def _is_installed(requirements: Path) -> bool:
    stamp = _stamp_of(requirements)
    return PYTHON.exists() and stamp.exists() and stamp.read_text() == _digest_of(requirements)


def _install(requirements: Path) -> None:
    if not (VENV / "made").exists():
        _make_venv()
    _say(f"Installing the packages of {requirements.relative_to(ROOT)} (once; a minute or two) …")
    done = subprocess.run(
        [str(PYTHON), "-m", "pip", "install", "--disable-pip-version-check", "-r", str(requirements)],
        check=False,
        stdout=sys.stderr,
    )
    if done.returncode:
        _give_up("The packages could not be installed; the lines above say why. Run the same command again.")
    # The tests' list includes the site's, so whoever has the one has the other.
    for covered in {requirements, SITE_PACKAGES}:
        _stamp_of(covered).write_text(_digest_of(covered))


def _make_venv() -> None:
    if importlib.util.find_spec("ensurepip") is None:
        _give_up(
            "Python's own venv is not installed here. On Debian and Ubuntu the package is python3-venv:\n"
            "    sudo apt install python3-venv\nThen run the same command again."
        )
    _say("Making a home for the packages in .venv …")
    done = subprocess.run(
        [sys.executable, "-m", "venv", "--clear", str(VENV)], check=False, stdout=sys.stderr
    )
    if done.returncode:
        _give_up("The folder .venv could not be made; the lines above say why.")
    (VENV / "made").touch()


def _start_again(argv: list[str]) -> None:
    command = [str(PYTHON), str(ROOT / "manage.py"), *argv[1:]]
    if os.name == "nt":  # exec on Windows returns to the shell at once
        raise SystemExit(subprocess.run(command, check=False).returncode)
    os.execv(command[0], command)


def _stamp_of(requirements: Path) -> Path:
    name = "-".join(requirements.relative_to(ROOT).with_suffix("").parts)
    return VENV / f"installed-{name}"


def _digest_of(requirements: Path) -> str:
    # The tests' list includes the site's, so its stamp covers both files.
    files = [SITE_PACKAGES] if requirements == SITE_PACKAGES else [SITE_PACKAGES, requirements]
    return hashlib.sha256(b"\0".join(file.read_bytes() for file in files)).hexdigest()


def _say(sentence: str) -> None:
    print(sentence, file=sys.stderr, flush=True)


def _give_up(sentence: str) -> None:
    _say(sentence)
    raise SystemExit(2)
