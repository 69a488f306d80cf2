"""Configuration of the screening app."""

from django.apps import AppConfig


class ScreeningConfig(AppConfig):
    """May this person take part, and may they take the dose now?"""

    name = "screening"
    label = "screening"

    def ready(self) -> None:
        """Tell the apps below since when records exist, what a document may not say, what follows on limits."""
        from screening.left_behind import held
        from screening.note_sources import register_notes
        from screening.ready_checks import text_lines
        from screening.rules.catalogue import load_catalogue
        from screening.rules.document import document_problems
        from screening.running import KIND
        from screening.selectors.first_records import (
            first_answers,
            first_check,
            first_note,
            first_vitals,
        )
        from screening.selectors.notes import contact_notes
        from screening.selectors.self_report import (
            first_self_report,
            has_written,
            languages_of,
        )
        from screening.selectors.staff_mails import LAPSING, planned_lapsing
        from screening.selectors.staff_ties import away_by, is_kept_away
        from screening.tasks import knock
        from studylab.operation.work import register_work
        from studylab.outbox.kinds import register_kind
        from studylab.outbox.names import register_medicine_names
        from studylab.outbox.planners import register_planner
        from studylab.participants.kept_away import register_kept_away, register_kept_away_by
        from studylab.participants.link_purposes import LinkPurpose, register_link_purpose
        from studylab.participants.models import PersonalLink
        from studylab.participants.record_times import register_record_time
        from studylab.people.leaving import register_held
        from studylab.studies.confirm_hooks import register_confirm_hook
        from studylab.studies.document_checks import register_document_check
        from studylab.studies.readiness import register_readiness

        register_held("screening", held)
        register_work(KIND)
        register_kind(LAPSING)
        register_planner("sign-offs", planned_lapsing)
        register_readiness("texts", text_lines, front=True)
        register_confirm_hook("reassess", knock)
        register_kept_away(is_kept_away)
        for what in ("events", "deviations", "holds"):
            register_kept_away_by(f"{what}/<uuid:uid>/", away_by(what))
        register_kept_away_by("messages/questions/<uuid:uid>/", away_by("messages"))
        register_kept_away_by("unblinding/laboratory/<uuid:uid>/", away_by("assays"))
        register_medicine_names(lambda: load_catalogue().names())
        register_document_check("screening table", document_problems)

        register_record_time("answers", first_answers, ("questions", "study"))
        register_record_time("vital set", first_vitals)
        register_record_time("check", first_check)
        register_record_time("contact note", first_note, ("questions", "study"))
        register_notes("contact", contact_notes)
        register_record_time("questionnaire", first_self_report, ("questions", "study"))
        register_link_purpose(
            PersonalLink.Purpose.QUESTIONS,
            LinkPurpose(start="self_report", written=has_written, languages=languages_of),
        )
