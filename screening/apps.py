"""Configuration of the screening app."""

from django.apps import AppConfig


class ScreeningConfig(AppConfig):
    """May this person take part, and may they take the dose now?"""

    name = "screening"
    label = "screening"
