"""May contact details be erased, and what is still open with the person?"""

from datetime import date
from zoneinfo import ZoneInfo

from studylab import clock
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.participants.erase_hooks import also_open
from studylab.participants.models import AdverseEvent, Consent, Contact, Deviation, Participant
from studylab.participants.selectors.owed import owed_reports
from studylab.studies.models import Study
from studylab.studies.rules.retention import Keeping, keeping
from studylab.studies.selectors import current_protocol


def is_erased(participant: Participant) -> bool:
    """Whether the person's contact details are gone."""
    return Contact.objects.filter(person=participant.person_id, erased_at__isnull=False).exists()


def kept_because(participant: Participant) -> list[str]:
    """Return why the details must stay, as sentences; empty when they may go.

    Details belong to the person, so every study of the site is asked: the longest rule of all wins. Rules bind
    once somebody consented to a study; whoever only enquired may be forgotten at any time (common practice).
    """
    everywhere = list(
        Participant.objects.filter(person=participant.person_id).select_related("study")
    )
    reasons = []
    for one in everywhere:
        where = "" if one.study_id == participant.study_id else " in another study of the site"
        if one.is_active:
            reasons.append(f"The person still takes part{where}. Record the withdrawal first.")
            continue
        consented = Consent.objects.filter(participant=one, kind=Consent.Kind.STUDY)
        found = keeping_of(one.study)
        if consented.exists() and found.kept:
            until = f" Until {found.until:%-d %B %Y}." if found.until else ""
            reasons.append(f"Records are kept{where}. {found.why}{until}")
    return reasons


def keeping_of(study: Study) -> Keeping:
    """Return what the study's rules ask for today. A decision on marketing is not known to this house."""
    rules = current_protocol(study).plan.retention
    today = clock.now().astimezone(ZoneInfo(study.timezone)).date()
    return keeping(rules, {"study_closed": closed_on(study)}, today)


def closed_on(study: Study) -> date | None:
    """Return the study's local day of closing, None while it is not closed."""
    if study.state != Study.State.CLOSED:
        return None
    events = Event.objects.filter(
        study_id=study.pk, action=Action.STUDY_STATE_CHANGED, data__to=Study.State.CLOSED.value
    )
    newest = events.order_by("-id").first()
    return newest.at.astimezone(ZoneInfo(study.timezone)).date() if newest else None


def would_break(participant: Participant) -> list[str]:
    """Return what is still open with the person anywhere at the site, which needs that they can be reached."""
    found = []
    for one in Participant.objects.filter(person=participant.person_id).select_related("study"):
        events = AdverseEvent.objects.filter(participant=one, state=AdverseEvent.State.OPEN).count()
        if events:
            found.append(f"{events} adverse event(s) of {one.code} are not closed.")
        deviations = Deviation.objects.filter(participant=one).exclude(state="closed").count()
        if deviations:
            found.append(f"{deviations} deviation(s) about {one.code} are not closed.")
        reports = sum(owed.code == one.code for owed in owed_reports(one.study, clock.now()))
        if reports:
            found.append(f"{reports} report(s) about {one.code} are not sent, or without receipt.")
        found += also_open(one)
    return found
