"""Paths on this machine for what lies on the shelf."""

from __future__ import annotations

import io

import pytest

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
