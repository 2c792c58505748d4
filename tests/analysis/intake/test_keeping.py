"""What lies on the shelf: paths to it on this machine, and who may read it, whichever way it came there."""

from __future__ import annotations

import io
import stat
from pathlib import Path
from typing import Any

import pytest

from academy.config import environment
from analysis.intake import keeping


class TestLocalPaths:
    def test_they_come_in_the_order_of_the_keys(self):
        keys = [keeping.shelf().save(keeping.new_key(), io.BytesIO(each)) for each in (b"one", b"two")]
        with keeping.local_paths(reversed(keys)) as paths:
            assert [path.read_bytes() for path in paths] == [b"two", b"one"]

    def test_of_no_keys_there_are_none(self):
        with keeping.local_paths([]) as paths:
            assert paths == []

    def test_trouble_of_the_caller_stays_what_it_is(self):
        """A caller's own NotImplementedError says nothing about the shelf."""
        key = keeping.shelf().save(keeping.new_key(), io.BytesIO(b"one"))
        with pytest.raises(NotImplementedError, match="not yet"), keeping.local_path(key):
            raise NotImplementedError("not yet")


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


@pytest.mark.parametrize("way", [keeping.keep, keeping.adopt])
def test_a_file_may_be_kept_under_a_key_that_was_chosen(tmp_path: Path, way: Any) -> None:
    path = tmp_path / "finished"
    path.write_bytes(b"sound")
    key = f"{keeping.new_key()}/00001"
    assert way(path, key=key) == key
    path.unlink()
    with keeping.opened(key) as file:
        assert file.read() == b"sound"
