"""Making and sealing the allocation list."""

import secrets
from collections.abc import Iterator

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.gates import seal_entry, seal_list, sealing_key
from studylab.allocation.models import AllocationList, ListEntry
from studylab.allocation.rules.design import (
    ListDesign,
    design_problems,
    made_list,
    methods_for,
    places_of,
    proposed,
)
from studylab.allocation.rules.drbg import SEED_BYTES
from studylab.allocation.rules.places import PlanUnusable
from studylab.allocation.rules.sealed_list import (
    COMMITMENT_NONCE_BYTES,
    OpenedList,
    commitment,
    numbers_for,
)
from studylab.allocation.services.checks import require_confirmed, require_study
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused, RefusedWithReasons
from studylab.people.models import User
from studylab.people.services.signatures import check_password, signature_write
from studylab.studies.models import Study
from studylab.studies.rules.protocol import AllocationPlan
from studylab.studies.selectors import current_protocol

MEANING = "I made this allocation list by the confirmed protocol and seal it"
_STRATUM_ROOM = 80


@sensitive_variables("password", "design")
def list_seal(
    *, study: Study, password: str, actor: Actor, design: ListDesign | None = None
) -> AllocationList:
    """Make the list of the confirmed protocol version by `design`, seal it, publish its commitment.

    Without `design` the first one that the page proposes is taken. Nobody sees the list, the pharmacist neither; single numbers open when their kits are prepared. Refused
    without a confirmed version or an allocation key, Conflict when the list is sealed already.
    """
    require(actor, Cap.LIST_MANAGE)
    require_study(actor, study.pk)
    sealing_key()
    user = check_password(
        actor=actor, password=password, subject_type="allocation_list", subject_code=study.slug
    )
    return _list_seal(study=study, user=user, design=design, actor=actor)


@service
@sensitive_variables()
def _list_seal(
    *, study: Study, user: User, design: ListDesign | None, actor: Actor
) -> AllocationList:
    lock(Study, pk=study.pk)
    if AllocationList.objects.filter(study=study).exists():
        raise Conflict("This study's list is sealed already.")
    protocol = current_protocol(study)
    require_confirmed(protocol)
    plan = protocol.plan.allocation
    opened = _make(plan, design or proposed(methods_for(plan)[0], plan))
    places = places_of(plan, opened.design)
    published = commitment(opened, plan)
    content = {
        "commitment": published,
        "protocol_version": protocol.version.number,
        "protocol_sha256": protocol.version.sha256,
        "method": opened.design.name,
        "numbers": len(places),
    }
    signature = signature_write(
        actor=actor,
        user=user,
        meaning=MEANING,
        subject_type="allocation_list",
        subject_code=study.slug,
        content=content,
    )
    sealed = AllocationList.objects.create(
        study=study,
        protocol_version=protocol.version,
        generator_version=opened.design.name,
        length=len(places),
        commitment=published,
        box=seal_list(opened, study=study),
        sealed_at=clock.now(),
        sealed_by=user,
        sealing=signature,
    )
    ListEntry.objects.bulk_create(_entries(sealed, opened, places), batch_size=1000)
    _note(sealed, actor)
    return sealed


def _note(sealed: AllocationList, actor: Actor) -> None:
    version = sealed.protocol_version.number
    audit(
        actor=actor,
        action=Action.LIST_SEALED,
        subject_type="allocation_list",
        subject_code=sealed.study.slug,
        data={"commitment": sealed.commitment, "protocol_version": version},
    )


@sensitive_variables()
def _make(plan: AllocationPlan, design: ListDesign) -> OpenedList:
    for field, said in design_problems(plan, design).items():
        raise Refused(" ".join(said), field=field)
    seed = secrets.token_bytes(SEED_BYTES)
    try:
        rows = made_list(plan=plan, design=design, seed=seed)
    except PlanUnusable as problem:
        raise RefusedWithReasons(
            "No list can be made from this protocol version.", problem.problems
        ) from None
    long = sorted({name for name, _ in places_of(plan, design) if len(name) > _STRATUM_ROOM})
    if long:
        raise RefusedWithReasons(
            "No list can be made from this protocol version.",
            [
                f"allocation.strata: “{name}” is longer than {_STRATUM_ROOM} characters."
                for name in long
            ],
        )
    return OpenedList(design, seed, secrets.token_bytes(COMMITMENT_NONCE_BYTES), rows)


@sensitive_variables()
def _entries(
    sealed: AllocationList, opened: OpenedList, places: tuple[tuple[str, int], ...]
) -> Iterator[ListEntry]:
    """Yield the numbers with their sealed arms; those of a minimised list hold none yet, in equal boxes."""
    arms = [(row.arm, dict(row.open_levels)) for row in opened.rows] or [("", {})] * len(places)
    for number, (stratum, position), (arm, levels) in zip(
        numbers_for(places), places, arms, strict=True
    ):
        yield ListEntry(
            list=sealed,
            number=number,
            stratum=stratum,
            position=position,
            box=seal_entry(arm, study=sealed.study, number=number),
            open_levels=levels,
        )
