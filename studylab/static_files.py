"""How static files are served outside tests: compressed, and under names that carry a digest of their content."""

from whitenoise.storage import CompressedManifestStaticFilesStorage


class HashedFiles(CompressedManifestStaticFilesStorage):
    """Also rewrites what our own modules import, or a new module could come with an old one that it imports.

    Django's switch for it reads all scripts, and those of others import what is not there.
    """

    patterns = (
        *CompressedManifestStaticFilesStorage.patterns,
        (
            "studylab/*.js",
            CompressedManifestStaticFilesStorage._js_module_import_aggregation_patterns[1],
        ),
    )
