"""The scripts that compute, without a page: `node --test` over tests/browser/modules."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

MODULES = Path(__file__).parent / "modules"


@pytest.mark.needs("node")
@pytest.mark.parametrize("path", sorted(MODULES.glob("*.test.mjs")), ids=lambda path: path.name)
def test_module(path: Path) -> None:
    """One file of node tests; its own report is shown when one fails."""
    done = subprocess.run(
        ["node", "--test", str(path)], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "# fail 0" in done.stdout
    assert "# pass 0" not in done.stdout
