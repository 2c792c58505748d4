"""Kernels where nothing may be kept, and pages that need none."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]

KERNEL = """
from analysis.dsp.kernels import kernel

@kernel()
def doubled(number):
    return 2.0 * number
"""


def run(script: str, *, cwd: Path = ROOT, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", script],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        capture_output=True,
        text=True,
    )


class TestKernel:
    def test_nothing_is_imported_before_it_is_called(self):
        done = run(
            "import sys, analysis.dsp.meter, analysis.dsp.envelope\n"
            "assert not {'numba', 'scipy'} & set(sys.modules)"
        )
        assert done.returncode == 0, done.stderr

    def test_what_was_compiled_is_kept_beside_the_source(self, tmp_path):
        (tmp_path / "loops.py").write_text(KERNEL)
        assert run("import loops; print(loops.doubled(2.0))", cwd=tmp_path).stdout == "4.0\n"
        assert list((tmp_path / "__pycache__").glob("loops.doubled*.nbc"))

    @pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write everywhere")
    def test_it_works_where_nothing_can_be_kept(self, tmp_path):
        (tmp_path / "loops.py").write_text(KERNEL)
        tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
        try:
            done = run("import loops; print(loops.doubled(2.0))", cwd=tmp_path, HOME=str(tmp_path))
        finally:
            tmp_path.chmod(stat.S_IRWXU)
        assert done.stdout == "4.0\n", done.stderr

    def test_it_works_where_numba_finds_no_folder(self, tmp_path):
        # What numba does then, for those who test as the superuser.
        (tmp_path / "loops.py").write_text(KERNEL)
        done = run(
            "from numba.core import caching; caching.CacheImpl._locator_classes = []\n"
            "import loops; print(loops.doubled(2.0))",
            cwd=tmp_path,
        )
        assert done.stdout == "4.0\n", done.stderr
        assert not list(tmp_path.rglob("*.nbc"))
