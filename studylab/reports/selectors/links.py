"""Where things are done: the address of a volunteer's next step, for those who may open it."""

from typing import Any

from django.urls import reverse

from scheduling.rules import path
from studylab.access import Actor, Cap
from studylab.reports.selectors.path import OnPath
from studylab.studies.models import Study

# Stage -> the page on which it is done, and what that page needs. Visits and the contact depend on the series.
_PAGES = {
    path.ENQUIRY: ("consents", Cap.VOLUNTEER_VIEW),
    path.QUESTIONS: ("questions", Cap.QUESTIONS_RECORD),
    path.ASSESSMENT: ("assessment", Cap.QUESTIONS_RECORD),
    path.CONSENT: ("consent_add", Cap.CONSENT_RECORD),
    path.VITALS: ("vitals_add", Cap.VITALS_RECORD),
    path.BOOKING: ("series_book", Cap.SERIES_BOOK),
    path.NUMBER: ("volunteer", Cap.NUMBER_ISSUE),
    path.ON_HOLD: ("volunteer", Cap.HOLD_RELEASE),
}


def address(name: str, study: Study, **kwargs: Any) -> str:
    """Return the address of a page of the study."""
    return reverse(name, kwargs={"study": study.slug, **kwargs})


def step_url(study: Study, row: OnPath, actor: Actor) -> str:
    """Return where the next step of a volunteer is done, "" when the actor may not do it."""
    name, cap, more = _page(row)
    if not name or not actor.may(cap):
        return ""
    return address(name, study, **more)


def _page(row: OnPath) -> tuple[str, Cap, dict[str, Any]]:
    """Return the page of the next step, the capability it needs, and what its address is made of."""
    stage, code = row.step.stage, {"code": row.participant.code}
    visits = {visit.number: visit for visit in row.series.visits.all()} if row.series else {}
    if stage == path.SIGN_OFF:
        return _deciding(row)
    if row.facts.series == "closed" and stage == path.BOOKING:
        return "volunteer_end", Cap.WITHDRAW, code
    if stage == path.VITALS:
        code["gate"] = "screening"
    if stage in _PAGES:
        return *_PAGES[stage], code
    if row.step.who == path.EXPERIMENTER and stage.startswith("visit_"):
        return "visit", Cap.VISIT_RUN, {"uid": visits[int(stage.removeprefix("visit_"))].uid}
    if row.step.who == path.EXPERIMENTER and row.dosing_visit in visits:
        return "contact_add", Cap.CONTACT_RECORD, {"uid": visits[row.dosing_visit].uid}
    if row.step.who == path.COORDINATOR and visits:
        return "series_view", Cap.SERIES_BOOK, code
    return "", Cap.VOLUNTEER_VIEW, {}


def _deciding(row: OnPath) -> tuple[str, Cap, dict[str, Any]]:
    code = {"code": row.participant.code}
    if row.step.who == path.CLINICIAN:
        return "sign_off", Cap.SIGN_OFF, code
    if row.facts.sign_off == "not_eligible":
        return "volunteer_end", Cap.WITHDRAW, code
    return "assessment", Cap.QUESTIONS_RECORD, code
