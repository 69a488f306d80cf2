"""Configuration of the studies app."""

from django.apps import AppConfig


class StudiesConfig(AppConfig):
    """See the package's modules."""

    name = "studylab.studies"
    label = "studies"
