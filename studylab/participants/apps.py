"""Configuration of the participants app."""

from django.apps import AppConfig


class ParticipantsConfig(AppConfig):
    """See the package's modules."""

    name = "studylab.participants"
    label = "participants"

    def ready(self) -> None:
        """Tell the app below what must be finished before a study is closed."""
        from studylab.participants.left_behind import held
        from studylab.participants.selectors.open_ends import safety_open
        from studylab.people.leaving import register_held
        from studylab.studies.close_hooks import register_close_check

        register_held("participants", held)
        register_close_check("safety", safety_open)
