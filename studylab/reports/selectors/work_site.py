"""What of tablets and the site itself somebody must hear of on the front page; the site is read from the last tick."""

from datetime import datetime

from studylab.access import Actor, Cap
from studylab.operation.checks import last_tick
from studylab.operation.rules.status import TICK_WRONG
from studylab.operation.status import wrong_notes
from studylab.people.selectors.access_review import review_due_on
from studylab.people.selectors.devices import wrong_clocks
from studylab.reports.selectors.links import address
from studylab.reports.selectors.reviews import reviews_of
from studylab.reports.selectors.work_items import Group, Item
from studylab.studies.models import Study
from studylab.templatetags.studylab import day


def access_work(study: Study, actor: Actor, at: datetime) -> list[Group]:
    """Return, for who manages the study's people, that a review of everybody's access is due."""
    if not actor.may(Cap.PEOPLE_MANAGE):
        return []
    due, page = review_due_on(study), address("people_access", study)
    if due > at.astimezone(study.zone).date():
        return []
    text = "Look at who has access, end what is not needed, and sign."
    return [
        Group("Review of access due", "warn", page, [Item(f"Due since {day(due)}", page, text)])
    ]


def site_work(study: Study, actor: Actor, at: datetime) -> list[Group]:
    """Return, for who looks after tablets and site, which clock is off, and what was wrong at the last tick.

    A tick that is not heard any more is wrong too.
    """
    clocks = [_clocks(study)] if actor.may(Cap.DEVICE_MANAGE) else []
    reviews = [_reviews(study, at)] if actor.may(Cap.REVIEW_SIGN) else []
    return clocks + reviews + _site(study, actor, at)


def _reviews(study: Study, at: datetime) -> Group:
    """Planned reviews of data and trail whose day is past."""
    items = [
        Item(line.plan.what, address("record_review_add", study, key=line.plan.key), f"Planned by {line.due.by:%-d %B}.", "warn", "overdue")
        for line in reviews_of(study, at)
        if line.due.late and study.state != Study.State.CLOSED
    ]  # fmt: skip
    return Group("Reviews of the record", "warn", address("record_reviews", study), items)


def _clocks(study: Study) -> Group:
    """Tablets whose clock is off: what they note without network is put right, but people read the wrong time on them."""
    items = [
        Item(one.name, address("device", study, device=one.uid), f"Its clock is {words}. Set it.", "warn", "clock is off")
        for one, words in wrong_clocks(study)
    ]  # fmt: skip
    return Group("Tablets with a wrong clock", "warn", address("devices", study), items)


def _site(study: Study, actor: Actor, at: datetime) -> list[Group]:
    if not actor.may(Cap.SITE_CARE):
        return []
    page = address("set_up_status", study)
    last = last_tick()
    if last is None or at - last > TICK_WRONG:
        text = (
            "Nothing is sealed, checked, planned or sent by itself until scheduler and worker run."
        )
        items = [Item("Background work stands still", page, text, "stop", "wrong")]
    else:
        items = [
            Item(note.title, page, "The status page says what to do.", "stop", "wrong")
            for note in wrong_notes()
        ]
    return [Group("The site itself", "stop", page, items)]
