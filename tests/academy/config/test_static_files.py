"""Scripts as a served site hands them out: a hash in each name, every import and every page's file there."""

import re
from pathlib import Path

import pytest
from django.contrib.staticfiles import finders

from academy.config.static_files import HashedStaticFiles

# An import as STYLE asks for it: at the start of a line, literal, relative, with its semicolon.
IMPORTED = re.compile(r"^(?:import|export)\b[^;\"']*?[\"'](\./[^\"']+|\.\./[^\"']+)[\"'];", re.MULTILINE)

ASKED_FOR = re.compile(r"\{%\s*static\s+['\"]([^'\"]+)")


@pytest.fixture(scope="module")
def collected(tmp_path_factory):
    """Where our own scripts lie after the renaming."""
    storage = HashedStaticFiles(location=tmp_path_factory.mktemp("static"))
    ours = [
        (path, source)
        for finder in finders.get_finders()
        for path, source in finder.list([])
        if path.endswith(".js") and not path.startswith("admin/")
    ]
    for path, source in ours:
        with source.open(path) as content:
            storage.save(path, content)
    for path, _, answer in storage.post_process({path: (storage, path) for path, _ in ours}):
        assert not isinstance(answer, Exception), f"{path}: {answer}"
    return storage


class TestScripts:
    def test_every_import_names_a_file_that_is_there(self, collected):
        looked_at = 0
        for path, hashed in collected.hashed_files.items():
            script = Path(collected.path(hashed))
            for target in IMPORTED.findall(script.read_text()):
                looked_at += 1
                assert (script.parent / target).is_file(), f"{path} imports {target}, which is nowhere"
                assert re.search(r"\.[0-9a-f]{12}\.js$", target), f"{path} imports {target} without a hash"
        assert looked_at > 30, "hardly any import was found"


class TestTemplates:
    def test_every_file_that_a_page_asks_for_is_there(self):
        """A served site answers 500 for a page that names a file which is nowhere."""
        root = Path(__file__).parents[3]
        asked = {
            (name, str(template.relative_to(root)))
            for floor in ("academy", "analysis", "contests")
            for template in (root / floor).rglob("templates/**/*.html")
            for name in ASKED_FOR.findall(template.read_text())
        }
        assert len(asked) > 50, "hardly any file is asked for"
        assert [each for each in sorted(asked) if finders.find(each[0]) is None] == []
