"""Messages to volunteers about their visits: when each is due, what it says, and whether it still holds."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from django.utils.translation import get_language
from django.utils.translation import gettext as _

from scheduling.models import Dose, Series, Visit
from scheduling.rules.clock_change import changed_before
from scheduling.rules.ical_out import PUBLISH
from scheduling.selectors.feeds import visit_file
from scheduling.selectors.today import contact_done, contact_window
from studylab import clock
from studylab.audit.history import STANDS
from studylab.outbox.kinds import Attachment, Audience, MessageField, MessageKind, Planned
from studylab.outbox.models import Message
from studylab.participants.models import Participant
from studylab.said_times import said_start, said_time
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol
from studylab.studies.rules.volunteer_texts import NATIVE
from studylab.studies.selectors import current_protocol, plan_of

BEFORE_VISIT, BEFORE_CONTACT = "visit_reminder", "contact_ahead"
_OTHER = "The visit was moved or does not take place."


def about_visit(visit: Visit) -> str:
    """Return what messages about a visit are about."""
    return f"visit:{visit.pk}"


def visit_messages(visit: Visit, plan: Protocol) -> list[Planned]:
    """Return the reminders of a visit at the time for which it is booked now.

    Each is of use until half of the time between it and the visit is over.
    """
    if visit.state != Visit.State.BOOKED:
        return []
    who, start = visit.participant, visit.planned.lower
    return [
        Planned(
            kind=BEFORE_VISIT, study=who.study, participant=who, about=about_visit(visit),
            due_at=start - timedelta(hours=hours), useful_until=start - timedelta(hours=hours) / 2, matters_until=start,
            key=f"{about_visit(visit)}:{visit.revision}:{hours}h", language=_language(who, plan),
        )
        for hours in plan.messages.before_visit_hours
    ]  # fmt: skip


def planned_reminders(study: Study, now: datetime) -> Iterable[Planned]:
    """Return every message about visits to come and contacts to come in a study."""
    if not study.participants.exists():
        return
    visits = Visit.objects.filter(
        participant__study=study, state=Visit.State.BOOKED, planned__startswith__gt=now,
        series__state=Series.State.OPEN, participant__status=Participant.Status.ACTIVE,
    ).select_related("participant__study", "series__protocol_version")  # fmt: skip
    for visit in visits:
        yield from visit_messages(visit, plan_of(visit.series.protocol_version))
    yield from _contacts(study, now)


def _contacts(study: Study, now: datetime) -> Iterable[Planned]:
    plan = current_protocol(study).plan
    hours = plan.messages.before_contact_hours
    if hours is None:
        return
    since = now - timedelta(hours=plan.follow_up.until_hours)
    doses = Dose.objects.filter(STANDS, participant__study=study, given_at__gt=since)
    for dose in doses.select_related("participant__study", "visit__series__protocol_version"):
        own = plan_of(dose.visit.series.protocol_version)
        start, end = contact_window(dose, own.follow_up)
        yield Planned(
            kind=BEFORE_CONTACT, study=study, participant=dose.participant,
            about=about_visit(dose.visit), due_at=start - timedelta(hours=hours), useful_until=end,
            key=f"contact:{dose.pk}", language=_language(dose.participant, own),
        )  # fmt: skip


def _language(participant: Participant, plan: Protocol) -> str:
    """Return the volunteer's language where everything about visits is said in it, else English for all of it."""
    wanted = participant.language
    offered = wanted in (participant.study.languages or [NATIVE])
    return wanted if offered and not plan.texts.lacking(wanted) else NATIVE


def _visit(message: Message) -> Visit | None:
    rows = Visit.objects.select_related("series__protocol_version", "participant__study")
    return rows.filter(pk=message.about.partition(":")[2]).first()


def reminder_wanted(message: Message, now: datetime) -> str:
    """Return why a reminder is not to be sent any more: the visit must still be the one it was made for."""
    visit = _visit(message)
    if visit is None or visit.state != Visit.State.BOOKED or not visit.participant.is_active:
        return _OTHER
    if int(message.key.split(":")[2]) != visit.revision or visit.planned.lower <= now:
        return _OTHER
    return ""


def contact_wanted(message: Message, now: datetime) -> str:
    """Return why nobody has to be told of the call any more."""
    dose = Dose.objects.filter(STANDS, pk=message.key.partition(":")[2]).first()
    if dose is None:
        return "The time for the contact changed."
    plan = plan_of(dose.visit.series.protocol_version)
    return "The contact was made." if contact_done(dose, plan.follow_up) else ""


def reminder_values(message: Message) -> dict[str, str]:
    """Return what a reminder says, in the active language."""
    visit = _visit(message)
    assert visit is not None, "asked by `reminder_wanted` before"
    plan = plan_of(visit.series.protocol_version)
    where = plan.texts.where
    language = (get_language() or NATIVE).lower()
    return {
        "when": _span(visit.planned.lower, visit.planned.upper, visit.participant.study),
        "where": where.say(language) if where else "",
        "clock": _clock(visit, visit.participant.study),
        "phone": plan.phone_24h,
    }


def reminder_file(message: Message) -> list[Attachment]:
    """Return the appointment for the volunteer's calendar, in the active language."""
    visit = _visit(message)
    assert visit is not None, "asked by `reminder_wanted` before"
    content = visit_file(visit, clock.now())
    return [
        Attachment("appointment.ics", f"text/calendar; charset=utf-8; method={PUBLISH}", content)
    ]


def contact_values(message: Message) -> dict[str, str]:
    """Return what is said ahead of the call after a visit, in the active language."""
    dose = Dose.objects.get(pk=message.key.partition(":")[2])
    plan = plan_of(dose.visit.series.protocol_version)
    start, end = contact_window(dose, plan.follow_up)
    assert message.study is not None
    return {"when": _span(start, end, message.study), "phone": plan.phone_24h}


def _span(start: datetime, end: datetime, study: Study) -> str:
    """Say a time in full: weekday and month in letters, the zone by name."""
    first, last = start.astimezone(study.zone), end.astimezone(study.zone)
    ends = said_time(last) if first.date() == last.date() else said_start(last)
    return _("%(begins)s to %(ends)s (%(zone)s)") % {
        "begins": said_start(first), "ends": ends, "zone": study.timezone,
    }  # fmt: skip


def _clock(visit: Visit, study: Study) -> str:
    """One plain sentence where the clocks changed in the three days before the visit."""
    if changed_before(visit.planned.lower, study.timezone, timedelta(days=3)) is None:
        return ""
    return _("The clocks change just before this visit: it begins at %(time)s by the new time.") % {
        "time": said_time(visit.planned.lower.astimezone(study.zone))
    }


_WHEN = MessageField("when", "day and time, with the time zone")
_PHONE = MessageField("phone", "the study's phone number")
REMINDER = MessageKind(
    BEFORE_VISIT, Audience.VOLUNTEER, "Reminder of a visit",
    (
        _WHEN, MessageField("where", "where the visit is, from the study document"),
        MessageField("clock", "a sentence when the clocks change just before, else nothing"), _PHONE,
    ),
    reminder_values, reminder_wanted, reminder_file,
)  # fmt: skip
AHEAD = MessageKind(
    BEFORE_CONTACT, Audience.VOLUNTEER, "When we will call", (_WHEN, _PHONE), contact_values, contact_wanted
)  # fmt: skip
