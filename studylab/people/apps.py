"""Configuration of the people app."""

from django.apps import AppConfig


class PeopleConfig(AppConfig):
    """People, roles, signatures."""

    name = "studylab.people"
    label = "people"
