"""Configuration of the screening app."""

from django.apps import AppConfig


class ScreeningConfig(AppConfig):
    """May this person take part, and may they take the dose now?"""

    name = "screening"
    label = "screening"

    def ready(self) -> None:
        """Tell the apps below since when answers and values exist, and what follows on confirmed limits."""
        from screening.selectors.first_records import first_answers, first_vitals
        from screening.tasks import knock
        from studylab.participants.record_times import register_record_time
        from studylab.studies.confirm_hooks import register_confirm_hook

        register_confirm_hook("reassess", knock)

        register_record_time("answers", first_answers, ("questions", "study"))
        register_record_time("vital set", first_vitals)
