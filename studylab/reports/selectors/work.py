"""What waits for whom: the front page of each role.

A group stands on somebody's front page only if they may do what it asks for, so that every line leads to a
page that opens.
"""

from datetime import datetime

from scheduling.rules import path
from scheduling.selectors.today import today_of
from scheduling.views.words import CONTACT_KINDS, CONTACT_WORDS, KINDS
from screening.selectors.ecgs import unread_ecgs
from screening.selectors.notes import open_notes_in
from screening.selectors.requests import VOLUNTEER, open_requests
from screening.selectors.staff_ties import undecided_ties
from studylab.access import Actor, Cap
from studylab.participants.models import Deviation
from studylab.participants.selectors import deviations_of, open_holds
from studylab.people.selectors import today_in
from studylab.reports.selectors.asked import Asked
from studylab.reports.selectors.links import address, step_url
from studylab.reports.selectors.path import OnPath
from studylab.reports.selectors.readiness import lacking_group
from studylab.reports.selectors.work_booking import absent_group, booking_groups, settled_elsewhere
from studylab.reports.selectors.work_consent import arms_to_tell, consent_again, wishes_to_ask
from studylab.reports.selectors.work_dispensary import count_work, kits_to_hand_out, runs_low
from studylab.reports.selectors.work_items import Group, Item
from studylab.reports.selectors.work_messages import message_work
from studylab.reports.selectors.work_own_page import own_page_groups
from studylab.reports.selectors.work_restored import restored_work
from studylab.reports.selectors.work_safety import safety_work
from studylab.reports.selectors.work_site import access_work, site_work
from studylab.studies.models import Study

_OVER = ("done", "cancelled", "missed", "stopped early")


def work_for(actor: Actor, rows: list[OnPath], asked: Asked) -> list[Group]:
    """Return what the actor's roles are to do now, most urgent first; empty groups are left out.

    `rows` are the people of the path; they are looked at only for who may see volunteers.
    """
    study, at = asked.study, asked.at
    contacts = [_contacts(study, asked)] if actor.may(Cap.CONTACT_RECORD) else []
    overdue = [group for group in contacts if group.kind == "stop"]  # before anything else
    own = own_page_groups(study, actor, at)
    urgent = [group for group in own if group.kind == "stop"]
    groups: list[Group] = [*restored_work(study), *urgent, *overdue]
    if actor.may(Cap.HOLD_RELEASE):
        groups.append(_holds(study))
    groups += safety_work(study, actor, at, asked)
    groups += [group for group in own if group not in urgent]
    groups += site_work(study, actor, at)
    groups += [group for group in contacts if group not in overdue]
    if actor.may(Cap.ABSENCE_RECORD):
        groups.append(absent_group(study, at))
    if actor.may(Cap.VISIT_RUN):
        groups.append(_today(study, at))
    if actor.may(Cap.DISPENSE):
        groups += [kits_to_hand_out(study, at), runs_low(study, at), *count_work(study, actor, at)]
    groups += _screening(study, actor, asked)
    groups += message_work(study, actor, at)
    groups += access_work(study, actor, at)
    if actor.may(Cap.SERIES_BOOK):
        groups += [consent_again(study), wishes_to_ask(study), *booking_groups(study, at)]
        rows = settled_elsewhere(study, rows, at)
    groups += arms_to_tell(study, actor)
    if actor.may(Cap.VOLUNTEER_VIEW):
        groups += _steps(study, actor, rows)
    if actor.may(Cap.DEVIATION_RECORD):
        groups.append(_to_explain(study))
    if actor.may(Cap.DEVIATION_CLOSE):
        groups.append(_to_close(study, actor))
    groups.append(lacking_group(study, actor, at))
    return [group for group in groups if group.items]


def _holds(study: Study) -> Group:
    items = [
        Item(one.participant.code, address("hold_release", study, uid=one.uid), one.get_kind_display())
        for one in open_holds(study)
    ]  # fmt: skip
    return Group("On hold: release or stop", "stop", address("safety", study), items)


def _contacts(study: Study, asked: Asked) -> Group:
    due = [row for row in asked.contacts if row.state != "early"]
    due.sort(key=lambda row: row.due_until)
    items = [
        Item(
            row.code, address("contact_add", study, uid=row.visit.uid), _tried(len(row.attempts)),
            CONTACT_KINDS[row.state], CONTACT_WORDS[row.state],
        )
        for row in due
    ]  # fmt: skip
    kind = "stop" if any(row.overdue for row in due) else "warn"
    return Group("Contact after the dose", kind, address("contacts", study), items)


def _tried(times: int) -> str:
    words = {0: "Not tried yet.", 1: "Tried once, not reached."}
    return words.get(times, f"Tried {times} times, not reached.")


def _today(study: Study, at: datetime) -> Group:
    rows = today_of(study, today_in(study.timezone), at=at)
    items = [
        Item(
            f"{row.code}, visit {row.number}", address("visit", study, uid=row.visit.uid),
            row.next_text, KINDS[row.word], row.word,
        )
        for row in rows
        if row.word not in _OVER
    ]  # fmt: skip
    return Group("Visits today", "info", address("today", study), items)


def _screening(study: Study, actor: Actor, asked: Asked) -> list[Group]:
    groups = []
    if actor.may(Cap.SIGN_OFF):
        groups += [_ecgs(study), _notes(study)]
    if actor.may(Cap.QUESTIONS_RECORD):
        groups.append(_asked_for(study, actor))
    if actor.may(Cap.SIGN_OFF) or actor.may(Cap.SERIES_BOOK):
        groups.append(_lapsing(study, actor, asked))
    if actor.may(Cap.SETUP_EDIT):
        groups.append(_relations(study))
    return groups


def _ecgs(study: Study) -> Group:
    """ECGs that nobody has read: each counts as missing, and nothing goes on without it."""
    items = [
        Item(
            one.participant.code,
            address("ecg_read", study, code=one.participant.code, uid=one.uid),
            f"Recorded {one.taken_at.astimezone(study.zone):%a %d %b, %H:%M}.",
            "wait",
            "not read",
        )
        for one in unread_ecgs(study)
    ]
    return Group("ECGs to read", "warn", address("sign_off_queue", study), items)


def _notes(study: Study) -> Group:
    """Notes that name a medicine of which no list given since knows: the dose waits for an answer."""
    items = [
        Item(
            person.code, address("note_answer", study, code=person.code, key=one.note.key),
            f"{one.note.where.capitalize()}: {', '.join(one.words)}.",
        )
        for person, one in open_notes_in(study)
    ]  # fmt: skip
    return Group("Notes that name a medicine", "warn", address("sign_off_queue", study), items)


def _asked_for(study: Study, actor: Actor) -> Group:
    """What a physician needs before deciding, for the role that is to bring it."""
    items = [
        Item(
            one.sign_off.participant.code,
            address(
                "assessment_bring", study, code=one.sign_off.participant.code,
                signature=one.sign_off.signature.uid, index=one.index,
            ),
            one.what, "info", "from the volunteer" if one.who == VOLUNTEER else "",
        )
        for one in open_requests(study)
        if one.is_for(actor.roles)
    ]  # fmt: skip
    return Group("Asked for by the physician", "warn", _deciding_page(study), items)


def _deciding_page(study: Study) -> str:
    return f"{address('people_on_path', study)}?stage={path.SIGN_OFF}"


def _lapsing(study: Study, actor: Actor, asked: Asked) -> Group:
    """Sign-offs that end before the dose: the clinician signs anew, the coordinator sees it in time."""
    signs = actor.may(Cap.SIGN_OFF)
    items = [
        Item(
            one.participant.code,
            address("sign_off" if signs else "volunteer", study, code=one.participant.code),
            f"Holds until {one.valid_until.astimezone(study.zone):%a %d %b, %H:%M}"
            + (
                f"; the dosing visit is on {one.dosing_at.astimezone(study.zone):%a %d %b}."
                if one.dosing_at
                else "; no dosing visit is booked before that."
            ),
            "warn" if one.before_visit else "wait",
            "too short" if one.before_visit else "runs out soon",
        )
        for one in asked.lapsing
    ]
    page = address("sign_off_queue", study) if signs else _deciding_page(study)
    return Group("Sign-offs that end before the dose", "warn", page, items)


def _relations(study: Study) -> Group:
    """Volunteers who may be related to staff and about whom the lead has not decided."""
    items = [
        Item(
            tie.participant.code,
            address("assessment_relations", study, code=tie.participant.code),
            f"{tie.user.name}: {tie.why}" if tie.user else tie.why,
        )
        for tie in undecided_ties(study)
    ]
    return Group("Relations to staff to decide", "warn", _deciding_page(study), items)


def _steps(study: Study, actor: Actor, rows: list[OnPath]) -> list[Group]:
    """Group the next steps of volunteers by what is to be done, for the actor's roles."""
    mine = {role.value for role in actor.roles}
    groups: dict[tuple[int, str], Group] = {}
    for row in rows:
        if row.step.who not in mine or _listed_elsewhere(row):
            continue
        stage = row.step.stage
        key = (path.STAGES.index(stage), row.step.title)
        everybody = f"{address('people_on_path', study)}?stage={stage}"
        group = groups.setdefault(key, Group(row.step.title, "info", everybody))
        where = step_url(study, row, actor) or address(
            "volunteer", study, code=row.participant.code
        )
        group.items.append(Item(row.participant.code, where, row.step.why))
    return [groups[key] for key in sorted(groups)]


def _listed_elsewhere(row: OnPath) -> bool:
    """Whether holds, contacts and visits of the day say it already; a visit of another day is not due now."""
    if row.step.who == path.EXPERIMENTER:
        return row.step.stage != path.VITALS
    if row.step.stage == path.SIGN_OFF and row.step.who == path.COORDINATOR:
        return row.facts.sign_off == "needs_more"
    return row.step.stage == path.ON_HOLD


def _to_explain(study: Study) -> Group:
    rows = deviations_of(study, Deviation.State.OPEN)
    items = [
        Item(_about(one), address("deviation_explain", study, uid=one.uid), one.get_kind_display())
        for one in rows
    ]
    return Group(
        "Deviations to explain", "warn", f"{address('deviations', study)}?state=open", items
    )


def _to_close(study: Study, actor: Actor) -> Group:
    """What others have explained: nobody closes what they explained themselves."""
    rows = deviations_of(study, Deviation.State.EXPLAINED).exclude(explained_by=actor.user_id)
    items = [
        Item(_about(one), address("deviation", study, uid=one.uid), one.get_kind_display())
        for one in rows
    ]
    return Group(
        "Deviations to close", "warn", f"{address('deviations', study)}?state=explained", items
    )


def _about(one: Deviation) -> str:
    return one.participant.code if one.participant else "Nobody in particular"
