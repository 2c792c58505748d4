"""Static files with a hash in each name, so that browsers may keep them for ever."""

import hashlib
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders
from django.core.management import call_command
from django.templatetags.static import static
from django.views.generic import RedirectView
from whitenoise.storage import CompressedManifestStaticFilesStorage


class HashedStaticFiles(CompressedManifestStaticFilesStorage):
    """Also rewrites the literal relative imports of ES modules, which Django leaves off by default.

    It looks for the words `import` and `export` without knowing what a comment is: in a comment above an
    import either word makes that import be renamed twice, to a file that is nowhere.
    """

    support_js_module_import_aggregation = True


class Icon(RedirectView):
    """Where browsers look for an icon when a page names none, as a letter or a file for itself cannot."""

    def get_redirect_url(self, *args: object, **kwargs: object) -> str:
        """The icon that the site's own pages name."""
        return static("academy/icon.svg")


def collect_if_changed() -> bool:
    """Collect the static files when any of them changed since the last time. Says whether it did."""
    digest = _digest_of_sources()
    stamp = settings.STATIC_ROOT / "collected"
    if stamp.exists() and stamp.read_text() == digest:
        return False
    call_command("collectstatic", verbosity=0, interactive=False, clear=True)
    stamp.write_text(digest)
    return True


def _digest_of_sources() -> str:
    digest = hashlib.sha256()
    for finder in finders.get_finders():
        for path, storage in finder.list([]):
            status = Path(storage.path(path)).stat()
            digest.update(f"{path} {status.st_mtime_ns} {status.st_size}\n".encode())
    return digest.hexdigest()
