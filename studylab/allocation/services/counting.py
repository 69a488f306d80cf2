"""Counting the stock: by two people, without the ledger's figure in sight; a difference is explained, never written over."""

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.models import CountExplained, Kit, KitBatch, StockCount
from studylab.allocation.services.checks import person_of, require_study
from studylab.allocation.services.seconds import second_person
from studylab.allocation.services.stock import check_words
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.participants.models import Deviation
from studylab.participants.services.deviations import deviation_found
from studylab.people.models import User
from studylab.studies.selectors import current_protocol


@sensitive_variables("second_password")
def stock_count(
    *,
    batch: KitBatch,
    counted: int,
    note: str,
    second_email: str,
    second_password: str,
    actor: Actor,
) -> StockCount:
    """Record how many kits of a batch two pharmacists found in stock, without the ledger's figure in sight.

    A difference changes nothing in the ledger: it is a deviation, and each kit that cannot be found is
    recorded by its number.
    """
    require(actor, Cap.DISPENSE)
    require_study(actor, batch.study_id)
    if counted < 0:
        raise Refused("Give the number of kits that you found.", field="counted")
    if note.strip():
        check_words(current_protocol(batch.study).plan, note=note)
    second = second_person(
        study=batch.study, email=second_email, password=second_password, actor=actor,
        subject_type="stock_count", subject_code=str(batch.uid), unblinded=True,
    )  # fmt: skip
    return _stock_count(batch=batch, counted=counted, note=note.strip(), second=second, actor=actor)


@service
def _stock_count(
    *, batch: KitBatch, counted: int, note: str, second: User, actor: Actor
) -> StockCount:
    lock(KitBatch, pk=batch.pk)
    made = StockCount.objects.create(
        batch=batch, counted=counted, note=note, at=clock.now(), by_id=person_of(actor), second=second,
        expected=batch.kits.filter(state=Kit.State.IN_STOCK).count(),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.STOCK_COUNTED, subject_type="stock_count", subject_code=made.uid
    )
    if not made.agrees:
        deviation_found(
            actor=actor,
            study=batch.study,
            kind=Deviation.Kind.KIT,
            what="A count of kits in the dispensary differs from the ledger. The pharmacist looks for the cause.",
            subject=f"count {str(made.uid)[:8]}",
            occurred_at=made.at,
        )
    return made


@service
def count_explain(*, count: StockCount, explanation: str, actor: Actor) -> CountExplained:
    """Say why a count differed. The stock is not changed here: kits not found have lines of their own, by two people."""
    require(actor, Cap.DISPENSE)
    require_study(actor, count.batch.study_id)
    check_words(current_protocol(count.batch.study).plan, explanation=explanation)
    if count.agrees:
        raise Refused("This count agrees with the ledger: there is nothing to explain.")
    if CountExplained.objects.filter(count=count).exists():
        raise Conflict("This count was explained already.")
    made = CountExplained.objects.create(
        count=count, explanation=explanation.strip(), at=clock.now(), by_id=person_of(actor)
    )
    audit(
        actor=actor, action=Action.COUNT_EXPLAINED, subject_type="stock_count",
        subject_code=count.uid, reason=explanation.strip(),
    )  # fmt: skip
    return made
