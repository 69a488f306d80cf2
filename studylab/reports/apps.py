"""Configuration of the reports app."""

from django.apps import AppConfig


class ReportsConfig(AppConfig):
    """See the package's modules."""

    name = "studylab.reports"
    label = "reports"

    def ready(self) -> None:
        """Let exports appear among the running work, and the site among what a study needs."""
        from studylab.operation.work import register_work
        from studylab.reports.running import KIND
        from studylab.reports.selectors.readiness import site_lines
        from studylab.studies.readiness import register_readiness

        register_work(KIND)
        register_readiness("site", site_lines)
