"""What of the site itself a lead must hear of on the front page: read from the last tick, two queries."""

from datetime import datetime

from studylab.access import Actor, Cap
from studylab.operation.checks import last_tick
from studylab.operation.rules.status import TICK_WRONG
from studylab.operation.status import wrong_notes
from studylab.people.selectors.access_review import review_due_on
from studylab.reports.selectors.links import address
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
    """Return, for who looks after the site, what was wrong at the last tick, or that no tick is heard any more."""
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
