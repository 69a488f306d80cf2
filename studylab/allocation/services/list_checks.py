"""The sealed list compared with practice as the study goes on: issued numbers, kits, ratio.

What differs is named to pharmacists only; everybody else learns that a check was done, or that it needs the
pharmacist.
"""

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, system_actor
from studylab.allocation.models import AllocationList, ListCheck
from studylab.allocation.selectors.verification import list_differences
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.studies.selectors import current_protocol

EVERY = 10  # issued numbers


@service
@sensitive_variables("found")
def list_check(*, sealed: AllocationList, actor: Actor) -> ListCheck:
    """Compare the list with what was issued and prepared so far, and keep whether it agrees."""
    found = list_differences(sealed)
    made = ListCheck.objects.create(
        list=sealed, issued=_issued(sealed), agrees=not found, at=clock.now()
    )
    audit(
        actor=actor,
        action=Action.LIST_CHECKED,
        subject_type="list_check",
        subject_code=made.uid,
        study_id=sealed.study_id,
        data={"needs the pharmacist": bool(found)},
    )
    return made


def check_due_lists() -> int:
    """Check every list that is new, or of which ten more numbers were issued, or whose protocol changed; return how many."""
    actor = system_actor("list check")
    done = 0
    for sealed in AllocationList.objects.select_related("study", "protocol_version"):
        last = ListCheck.objects.filter(list=sealed).order_by("-id").first()
        if last is None or _grown(sealed, last) or _amended(sealed, last):
            list_check(sealed=sealed, actor=actor)
            done += 1
    return done


def _grown(sealed: AllocationList, last: ListCheck) -> bool:
    return _issued(sealed) // EVERY > last.issued // EVERY


def _amended(sealed: AllocationList, last: ListCheck) -> bool:
    confirmed = current_protocol(sealed.study).version.confirmed_at
    return confirmed is not None and confirmed > last.at


def _issued(sealed: AllocationList) -> int:
    return sealed.entries.filter(participant__isnull=False).count()
