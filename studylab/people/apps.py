"""Configuration of the people app."""

from django.apps import AppConfig


class PeopleConfig(AppConfig):
    """People, roles, signatures."""

    name = "studylab.people"
    label = "people"

    def ready(self) -> None:
        """Listen to sign-ins, which Django announces by signals only, and say what a leaver holds."""
        from studylab.people.leaving import register_held
        from studylab.people.selectors.leaving import held_here

        register_held("people", held_here)
        import studylab.people.signals  # noqa: F401  (import for its effect)
