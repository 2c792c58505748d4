"""Who may read what lies on the shelf, whichever way it came there."""

from __future__ import annotations

import stat
from pathlib import Path
from typing import Any

import pytest

from academy.config import environment
from analysis.intake import keeping


@pytest.mark.parametrize("way", [keeping.keep, keeping.adopt])
@pytest.mark.parametrize(("may_group_read", "mode"), [(False, 0o600), (True, 0o640)])
@pytest.mark.parametrize("mode_before", [0o600, 0o644])
def test_a_kept_file_has_the_shelf_s_permissions(
    settings: Any, tmp_path: Path, way: Any, may_group_read: bool, mode: int, mode_before: int
) -> None:
    shelf = environment.storage(f"file://{tmp_path}/shelf", tmp_path, may_group_read=may_group_read)
    settings.STORAGES = settings.STORAGES | {"recordings": shelf}
    path = tmp_path / "finished"
    path.write_bytes(b"sound")
    path.chmod(mode_before)
    key = way(path)
    assert stat.S_IMODE((tmp_path / "shelf" / key).stat().st_mode) == mode
    with keeping.opened(key) as file:
        assert file.read() == b"sound"
