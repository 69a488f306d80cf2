"""Configuration of the screening app."""

from django.apps import AppConfig


class ScreeningConfig(AppConfig):
    """May this person take part, and may they take the dose now?"""

    name = "screening"
    label = "screening"

    def ready(self) -> None:
        """Tell the participants app since when answers and values exist."""
        from screening.selectors.first_records import first_answers, first_vitals
        from studylab.participants.record_times import register_record_time

        register_record_time("answers", first_answers, ("questions", "study"))
        register_record_time("vital set", first_vitals)
