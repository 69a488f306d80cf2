"""Configuration of the audit app."""

from django.apps import AppConfig


class AuditConfig(AppConfig):
    """The lowest app; it also loads Celery, since `studylab/__init__.py` must stay importable bare."""

    name = "studylab.audit"
    label = "audit"

    def ready(self) -> None:
        """Make tasks use the site's broker in every process; migrate without needless work; tell of checks and seals."""
        import studylab.celery  # noqa: F401  (import for its effect)
        from studylab.audit import quick_migrations
        from studylab.audit.running import KIND, seals_line
        from studylab.operation.status import register_status
        from studylab.operation.work import register_work

        quick_migrations.install()
        register_work(KIND)
        register_status("seals", seals_line)
