"""Static files with a hash in each name, so that browsers may keep them for ever."""

from whitenoise.storage import CompressedManifestStaticFilesStorage


class HashedStaticFiles(CompressedManifestStaticFilesStorage):
    """Also rewrites the literal relative imports of ES modules, which Django leaves off by default."""

    support_js_module_import_aggregation = True
