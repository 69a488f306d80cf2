"""Configuration of the people app."""

from django.apps import AppConfig


class PeopleConfig(AppConfig):
    """People, roles, signatures."""

    name = "studylab.people"
    label = "people"

    def ready(self) -> None:
        """Listen to sign-ins, which Django announces by signals only."""
        import studylab.people.signals  # noqa: F401  (import for its effect)
