"""Configuration of the audit app."""

from django.apps import AppConfig


class AuditConfig(AppConfig):
    """The lowest app; it also loads Celery, since `studylab/__init__.py` must stay importable bare."""

    name = "studylab.audit"
    label = "audit"

    def ready(self) -> None:
        """Make tasks use the site's broker in every process; migrate without needless work."""
        import studylab.celery  # noqa: F401  (import for its effect)
        from studylab.audit import quick_migrations

        quick_migrations.install()
