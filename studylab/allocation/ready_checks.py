"""What a study needs of its list, its kits and its emergency openings, in words that every role may read.

Whether kits were ever received and identified says nothing of an arm; how many are left would, and is not said.
"""

from collections.abc import Iterator
from datetime import datetime

from studylab.access import Cap, Role
from studylab.allocation.models import KitBatch, KitMovement
from studylab.allocation.selectors.blinding import unpractised
from studylab.allocation.selectors.facts import list_state
from studylab.people.models import User
from studylab.people.selectors import holding_on, today_in
from studylab.studies.models import Study
from studylab.studies.rules.readiness import Before, Ready, Stands
from studylab.studies.selectors import current_protocol


def list_lines(study: Study, _at: datetime) -> Iterator[Ready]:
    """Yield whether the list is sealed and whether kits were received."""
    sealed = list_state(study).sealed
    text = (
        "Sealed; its fingerprint is published on the set-up page."
        if sealed
        else "Seal it; until then no number can be issued."
    )
    yield Ready(
        "list", "Allocation list", Before.DOSE, Stands.READY if sealed else Stands.MISSING, text,
        Cap.LIST_MANAGE, "list_seal",
    )  # fmt: skip
    received = KitMovement.objects.filter(kit__study=study, what="receive").exists()
    yield Ready(
        "kits", "Kits", Before.DOSE, Stands.READY if received else Stands.MISSING,
        "Received." if received else "None were received yet.", Cap.DISPENSE, "kits_receive",
    )  # fmt: skip


def identity_lines(study: Study, _at: datetime) -> Iterator[Ready]:
    """Yield whether two people have identified a batch for each treatment, once and for all."""
    wanted = len(current_protocol(study).plan.allocation.arms)
    batches = KitBatch.objects.filter(study=study).defer("box").prefetch_related("checks")
    done = sum(batch.identified for batch in batches) >= wanted
    yield Ready(
        "identity", "Identity of kits", Before.DOSE, Stands.READY if done else Stands.MISSING,
        "Checked by two people." if done else "Two pharmacists check each batch against its papers before a kit is prepared.",
        Cap.DISPENSE, "dispensary",
    )  # fmt: skip


def practice_lines(study: Study, at: datetime) -> Iterator[Ready]:
    """Yield whether every clinician has practised opening a code."""
    held = study.memberships.filter(
        holding_on(today_in(study.timezone)), role=Role.CLINICIAN, user__is_active=True
    )
    clinicians = set(held.values_list("user_id", flat=True))
    missing = unpractised(study, clinicians, at)
    names = User.objects.filter(pk__in=missing).order_by("name").values_list("name", flat=True)
    stands, text = Stands.READY, "Every clinician has practised it from outside the lab."
    if not clinicians:
        stands, text = Stands.MISSING, "There is no clinician yet who could practise it."
    elif missing:
        stands = Stands.MISSING
        text = f"To be practised once from outside the lab by {', '.join(names)}."
    yield Ready("practice", "Practised emergency opening", Before.DOSE, stands, text, Cap.CODE_OPEN, "drill")  # fmt: skip
