"""Configuration of the allocation app."""

from django.apps import AppConfig


class AllocationConfig(AppConfig):
    """See the package's modules."""

    name = "studylab.allocation"
    label = "allocation"
