"""Who is where, when, and what comes next."""

from django.apps import AppConfig

# Where an address leads to one volunteer by the number of something, and by which relation.
KEPT_AWAY_BY = {
    "visits": "visits",
    "payments": "payments",
    "payments/sent-home": "visits__sent_home",
    "calendar/waiting": "waits",
    "calendar/waiting/freed": "series__changes__freed",
    "calendar/changes": "series__changes",
}


class SchedulingConfig(AppConfig):
    """App configuration."""

    name = "scheduling"
    label = "scheduling"

    def ready(self) -> None:
        """Tell the apps below what ends with a participation, since when records exist, who is due."""
        from scheduling import left_behind
        from scheduling.ready_checks import (
            holiday_lines,
            kind_lines,
            people_hours,
            rescue_lines,
        )
        from scheduling.rules.second_checker import second_checker_problems
        from scheduling.running import KIND
        from scheduling.selectors.due import doses_due, doses_given
        from scheduling.selectors.my_visits import has_visits, page_stays, visit_languages
        from scheduling.selectors.payments import still_owed
        from scheduling.selectors.reminders import AHEAD, REMINDER, planned_reminders
        from scheduling.selectors.today import contacts_open
        from scheduling.selectors.told import after_contact_notes, own_notes, step_notes, talk_notes
        from scheduling.services import leaving
        from screening.note_sources import register_notes
        from screening.selectors.staff_ties import away_by
        from studylab.allocation.due import register_due
        from studylab.operation.work import register_work
        from studylab.outbox.kinds import register_kind
        from studylab.outbox.planners import register_planner
        from studylab.participants.doses import register_doses
        from studylab.participants.end_hooks import register_end_hook
        from studylab.participants.erase_hooks import register_erase_check
        from studylab.participants.kept_away import register_kept_away_by
        from studylab.participants.link_purposes import LinkPurpose, register_link_purpose
        from studylab.participants.models import PersonalLink
        from studylab.participants.record_times import register_record_time
        from studylab.people.leaving import register_gone, register_held
        from studylab.studies.close_hooks import register_close_check
        from studylab.studies.document_checks import register_document_check
        from studylab.studies.readiness import register_readiness

        register_held("scheduling", left_behind.held)
        register_gone("scheduling", left_behind.gone)
        register_work(KIND)
        register_document_check("second checker", second_checker_problems)
        register_readiness("kinds", kind_lines, front=True)
        register_readiness("hours", people_hours)
        register_readiness("holidays", holiday_lines)
        register_readiness("rescue", rescue_lines)
        register_end_hook(
            "scheduling", consequences=leaving.consequences, carry_out=leaving.carry_out
        )
        register_record_time("booked series", leaving.first_booking)
        register_record_time("step of a visit", leaving.first_step)
        register_record_time("dose", leaving.first_dose)
        register_notes("talk", talk_notes)
        register_notes("after", after_contact_notes)
        register_notes("step", step_notes)
        for part, way in KEPT_AWAY_BY.items():
            register_kept_away_by(f"{part}/<uuid:uid>/", away_by(way))
        register_notes("own", own_notes)
        register_due(doses_due)
        register_doses(doses_given)
        register_close_check("contacts", contacts_open)
        register_erase_check("payments", still_owed)
        register_kind(REMINDER)
        register_kind(AHEAD)
        register_planner("visits", planned_reminders)
        register_link_purpose(
            PersonalLink.Purpose.VISITS,
            LinkPurpose(
                start="my_visits", written=has_visits, languages=visit_languages, stays=page_stays
            ),
        )
