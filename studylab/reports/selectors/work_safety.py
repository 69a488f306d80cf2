"""What safety asks of whom, for the front pages: pauses, people in care, events, reports, what is told."""

from datetime import datetime

from django.utils.text import capfirst

from scheduling.selectors.wallet import outdated_cards
from studylab.access import Actor, Cap
from studylab.participants.doses import doses_of
from studylab.participants.models import Deviation, DosingPause
from studylab.participants.selectors.events import newest_entries, symptoms_to_write_down
from studylab.participants.selectors.safety import (
    new_information,
    open_pauses,
    unread,
)
from studylab.reports.selectors.asked import Asked
from studylab.reports.selectors.links import address
from studylab.reports.selectors.work_items import Group, Item
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

STATES = {"overdue": ("stop", "overdue"), "sent": ("stop", "no receipt yet"), "open": ("warn", "to be sent")}  # fmt: skip


def safety_work(study: Study, actor: Actor, at: datetime, asked: Asked) -> list[Group]:
    """Return what safety asks of the actor now, most urgent first; empty groups are left out."""
    groups = []
    if actor.may(Cap.EVENT_JUDGE) or actor.may(Cap.DOSING_RESUME):
        groups.append(_pauses(study, actor))
    if actor.may(Cap.EVENT_JUDGE):
        groups += [_to_read(study, at), _to_judge(study), _to_decide(study)]
    if actor.may(Cap.REPORT_RECORD):
        groups.append(_reports(study, asked))
    if actor.may(Cap.EVENT_RECORD):
        groups += [_to_write(study), _to_tell(study, asked)]
    if actor.may(Cap.CONTACT_RECORD):
        groups.append(_old_cards(study))
    return [group for group in groups if group.items]


def _old_cards(study: Study) -> Group:
    """Wallet cards with telephone numbers that no longer hold, and who carries them."""
    items = [
        Item(
            card.participant.code, address("wallet_card", study, code=card.participant.code),
            f"Handed over {card.handed_at.astimezone(study.zone):%a %d %b}, before the numbers changed.",
        )
        for card in outdated_cards(study)
    ]  # fmt: skip
    return Group("Wallet cards to print again", "stop", address("today", study), items)


def _pauses(study: Study, actor: Actor) -> Group:
    """Pauses that the actor can do something about: news of somebody in care, or a signature."""
    group = Group("Dosing is paused", "stop", address("safety", study))
    for pause in open_pauses(study):
        if pause.kind == DosingPause.Kind.CARE and pause.event and actor.may(Cap.EVENT_JUDGE):
            where = address("event_care", study, uid=pause.event.uid)
        else:
            where = address("pause", study, uid=pause.uid)
        group.items.append(Item("For everybody", where, capfirst(pause.text)))
    return group


def _to_read(study: Study, at: datetime) -> Group:
    plan = current_protocol(study).plan.safety
    group = Group("Adverse events to read", "warn", address("events", study))
    for one in unread(study, plan, at):
        shuts = one.old or one.first
        group.items.append(
            Item(
                one.entry.event.participant.code,
                address("event", study, uid=one.entry.event.uid),
                one.entry.term.capitalize(),
                "stop" if shuts else "warn",
                "holds the next dose" if shuts else "unread",
            )
        )
    return group


def _to_judge(study: Study) -> Group:
    entries = newest_entries(study).filter(relation="", in_error=False, event__state="open")
    items = [
        Item(one.event.participant.code, address("event_judge", study, uid=one.event.uid), one.term.capitalize())
        for one in entries
    ]  # fmt: skip
    return Group("Adverse events: judge the cause", "warn", address("events", study), items)


def _to_decide(study: Study) -> Group:
    items = [
        Item(
            row.entry.event.participant.code,
            address("event_news", study, uid=row.entry.event.uid),
            row.entry.term.capitalize(),
        )
        for row in new_information(study)
        if row.text is None
    ]
    title = "Decide what volunteers with a dose to come are told"
    return Group(title, "stop", address("safety", study), items)


def _reports(study: Study, asked: Asked) -> Group:
    group = Group("Safety reports: send, or enter the receipt", "warn", address("safety", study))
    for one in asked.owed:
        kind, word = STATES[one.due.state]
        page = "event_report" if one.is_event else "deviation_report"
        where = address(page, study, uid=one.subject.uid, rule=one.due.rule, part=one.due.part)
        until = f"{one.due.to}, by {one.due.due_by.astimezone(study.zone):%a %d %b, %H:%M}"
        group.items.append(Item(one.code or "Nobody in particular", where, until, kind, word))
    return group


def _to_write(study: Study) -> Group:
    items = [
        Item(one.participant.code, f"{address('event_add', study)}?hold={one.uid}", one.reason[:80])
        for one in symptoms_to_write_down(study, doses_of(study))
    ]
    return Group("Symptoms to write down as adverse events", "warn", address("safety", study), items)  # fmt: skip


def _to_tell(study: Study, asked: Asked) -> Group:
    items = []
    for one in asked.not_told:
        page = "deviation_told" if isinstance(one, Deviation) else "event_told"
        code = one.participant.code if one.participant else ""
        what = one.get_kind_display() if isinstance(one, Deviation) else "adverse event"
        items.append(Item(code, address(page, study, uid=one.uid), what))
    return Group("People to be told what touched them", "warn", address("safety", study), items)
