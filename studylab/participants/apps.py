"""Configuration of the participants app."""

from django.apps import AppConfig


class ParticipantsConfig(AppConfig):
    """See the package's modules."""

    name = "studylab.participants"
    label = "participants"
