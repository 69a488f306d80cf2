"""Making and sealing the allocation list."""

import secrets

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.gates import seal_entry, seal_list, sealing_key
from studylab.allocation.models import AllocationList, ListEntry
from studylab.allocation.rules.blocks import PlanUnusable, permuted_blocks
from studylab.allocation.rules.drbg import SEED_BYTES
from studylab.allocation.rules.sealed_list import METHOD, OpenedList, numbers_for
from studylab.allocation.rules.sealing import COMMITMENT_NONCE_BYTES, commitment
from studylab.allocation.services.checks import require_confirmed, require_study
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, RefusedWithReasons
from studylab.people.models import User
from studylab.people.services.signatures import check_password, signature_write
from studylab.studies.models import Study
from studylab.studies.rules.protocol import AllocationPlan
from studylab.studies.selectors import current_protocol

MEANING = "I made this allocation list by the confirmed protocol and seal it"
_STRATUM_ROOM = 80


@sensitive_variables("password")
def list_seal(*, study: Study, password: str, actor: Actor) -> AllocationList:
    """Make the list of the confirmed protocol version, seal it, publish its commitment.

    Nobody sees the list, the pharmacist neither; single numbers open when their kits are prepared. Refused
    without a confirmed version or an allocation key, Conflict when the list is sealed already.
    """
    require(actor, Cap.LIST_MANAGE)
    require_study(actor, study.pk)
    sealing_key()
    user = check_password(
        actor=actor, password=password, subject_type="allocation_list", subject_code=study.slug
    )
    return _list_seal(study=study, user=user, actor=actor)


@service
@sensitive_variables()
def _list_seal(*, study: Study, user: User, actor: Actor) -> AllocationList:
    lock(Study, pk=study.pk)
    if AllocationList.objects.filter(study=study).exists():
        raise Conflict("This study's list is sealed already.")
    protocol = current_protocol(study)
    require_confirmed(protocol)
    opened = _make(protocol.plan.allocation)
    published = commitment(opened.rows, opened.nonce, METHOD)
    content = {
        "commitment": published,
        "protocol_version": protocol.version.number,
        "protocol_sha256": protocol.version.sha256,
        "numbers": len(opened.rows),
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
        generator_version=METHOD,
        length=len(opened.rows),
        commitment=published,
        box=seal_list(opened, study=study),
        sealed_at=clock.now(),
        sealed_by=user,
        sealing=signature,
    )
    ListEntry.objects.bulk_create(_entries(sealed, opened), batch_size=1000)
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
def _make(plan: AllocationPlan) -> OpenedList:
    seed = secrets.token_bytes(SEED_BYTES)
    try:
        rows = permuted_blocks(plan=plan, seed=seed)
    except PlanUnusable as problem:
        raise RefusedWithReasons(
            "No list can be made from this protocol version.", problem.problems
        ) from None
    long = sorted({row.stratum for row in rows if len(row.stratum) > _STRATUM_ROOM})
    if long:
        raise RefusedWithReasons(
            "No list can be made from this protocol version.",
            [
                f"allocation.strata: “{name}” is longer than {_STRATUM_ROOM} characters."
                for name in long
            ],
        )
    return OpenedList(seed, secrets.token_bytes(COMMITMENT_NONCE_BYTES), rows)


@sensitive_variables()
def _entries(sealed: AllocationList, opened: OpenedList) -> list[ListEntry]:
    return [
        ListEntry(
            list=sealed,
            number=number,
            stratum=row.stratum,
            position=row.position,
            box=seal_entry(row.arm, study=sealed.study, number=number),
            open_levels=dict(row.open_levels),
        )
        for number, row in zip(numbers_for(opened.rows), opened.rows, strict=True)
    ]
