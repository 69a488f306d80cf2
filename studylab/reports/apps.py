"""Configuration of the reports app."""

from django.apps import AppConfig


class ReportsConfig(AppConfig):
    """See the package's modules."""

    name = "studylab.reports"
    label = "reports"
