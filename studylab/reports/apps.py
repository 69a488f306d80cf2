"""Configuration of the reports app."""

from django.apps import AppConfig


class ReportsConfig(AppConfig):
    """See the package's modules."""

    name = "studylab.reports"
    label = "reports"

    def ready(self) -> None:
        """Let exports appear among the running work."""
        from studylab.operation.work import register_work
        from studylab.reports.running import KIND

        register_work(KIND)
