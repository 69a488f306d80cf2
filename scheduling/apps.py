"""Configuration of the scheduling app."""

from django.apps import AppConfig


class SchedulingConfig(AppConfig):
    """Who is where, when, and what comes next."""

    name = "scheduling"
    label = "scheduling"
