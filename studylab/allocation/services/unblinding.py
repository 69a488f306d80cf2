"""Planned unblinding: data declared locked, asked for by the lead, agreed to by somebody else."""

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.models import AllocationList, DataLock, ListOpening
from studylab.allocation.services.checks import person_of, require_study
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.people.models import User
from studylab.people.services.signatures import check_password, signature_write
from studylab.studies.models import Study

LOCKING = "The data of this study are complete and checked; they are not changed any more before unblinding"
ASKING = "I ask for the allocation list to be opened"
AGREEING = "I agree that the allocation list is opened now"


@sensitive_variables("password")
def data_lock(*, study: Study, statement: str, password: str, actor: Actor) -> DataLock:
    """Declare the data of a closed study locked, by the lead's signature. `statement` says what was checked."""
    require(actor, Cap.DATA_LOCK)
    require_study(actor, study.pk)
    if not statement.strip():
        raise Refused("Say what was checked before the data were locked.", field="statement")
    user = check_password(
        actor=actor, password=password, subject_type="data_lock", subject_code=study.slug
    )
    return _data_lock(study=study, statement=statement.strip(), user=user, actor=actor)


@service
def _data_lock(*, study: Study, statement: str, user: User, actor: Actor) -> DataLock:
    row: Study = lock(Study, pk=study.pk)
    if row.state != Study.State.CLOSED:
        raise Refused("The study is not closed yet. Close it first: then no visit can add data.")
    if DataLock.objects.filter(study=row).exists():
        raise Conflict("The data are declared locked already.")
    signature = signature_write(
        actor=actor, user=user, meaning=LOCKING, subject_type="data_lock", subject_code=row.slug,
        content={"study": row.slug, "statement": statement},
    )  # fmt: skip
    made = DataLock.objects.create(
        study=row, statement=statement, at=clock.now(), by=user, signature=signature
    )
    audit(
        actor=actor, action=Action.DATA_LOCKED, subject_type="data_lock", subject_code=row.slug,
        study_id=row.pk, reason=statement,
    )  # fmt: skip
    return made


@sensitive_variables("password")
def opening_ask(*, study: Study, reason: str, password: str, actor: Actor) -> ListOpening:
    """Ask for the list to be opened, by the lead's signature; nothing opens yet."""
    require(actor, Cap.DATA_LOCK)
    require_study(actor, study.pk)
    if not reason.strip():
        raise Refused("Say why the list is opened now.", field="reason")
    user = check_password(
        actor=actor, password=password, subject_type="list_opening", subject_code=study.slug
    )
    return _opening_ask(study=study, reason=reason.strip(), user=user, actor=actor)


@service
def _opening_ask(*, study: Study, reason: str, user: User, actor: Actor) -> ListOpening:
    sealed = _sealed(study)
    if not DataLock.objects.filter(study=study).exists():
        raise Refused("The data are not declared locked yet.")
    if ListOpening.objects.filter(list=sealed).exists():
        raise Conflict("The opening was asked for already.")
    now = clock.now()
    signature = signature_write(
        actor=actor, user=user, meaning=ASKING, subject_type="list_opening", subject_code=study.slug,
        content={"commitment": sealed.commitment, "reason": reason},
    )  # fmt: skip
    made = ListOpening.objects.create(
        list=sealed, reason=reason, asked_at=now, asked_by=user, asking=signature
    )
    audit(
        actor=actor, action=Action.UNBLINDING_ASKED, subject_type="list_opening",
        subject_code=study.slug, study_id=study.pk, reason=reason,
    )  # fmt: skip
    return made


@sensitive_variables("password")
def opening_agree(*, study: Study, password: str, actor: Actor) -> ListOpening:
    """Agree to the opening by a second person's signature: from now on the list can be read by the study."""
    require(actor, Cap.UNBLIND_AGREE)
    require_study(actor, study.pk)
    user = check_password(
        actor=actor, password=password, subject_type="list_opening", subject_code=study.slug
    )
    return _opening_agree(study=study, user=user, actor=actor)


@service
def _opening_agree(*, study: Study, user: User, actor: Actor) -> ListOpening:
    sealed = _sealed(study)
    try:
        row: ListOpening = lock(ListOpening, list=sealed)
    except ListOpening.DoesNotExist:
        raise Refused("Nobody has asked for the list to be opened.") from None
    if row.agreed_at is not None:
        raise Conflict("The list is open already.")
    if row.asked_by_id == user.pk:
        raise Refused("The second signature must be somebody else's.")
    row.agreeing = signature_write(
        actor=actor, user=user, meaning=AGREEING, subject_type="list_opening",
        subject_code=study.slug,
        content={"commitment": sealed.commitment, "asking": row.asking.content_hash},
    )  # fmt: skip
    row.agreed_at, row.agreed_by = clock.now(), user
    row.save(update_fields=["agreed_at", "agreed_by", "agreeing"])
    audit(
        actor=actor, action=Action.LIST_OPENED, subject_type="list_opening",
        subject_code=study.slug, study_id=study.pk,
    )  # fmt: skip
    return row


def _sealed(study: Study) -> AllocationList:
    try:
        sealed: AllocationList = lock(AllocationList, study=study)
    except AllocationList.DoesNotExist:
        raise Refused("No list was sealed in this study, so there is none to open.") from None
    return sealed


@service
def list_read(*, study: Study, what: str, actor: Actor) -> None:
    """Note on the trail that somebody took the opened list or its table."""
    require(actor, Cap.STUDY_VIEW)
    person_of(actor)
    audit(
        actor=actor, action=Action.LIST_READ, subject_type="list_opening", subject_code=study.slug,
        study_id=study.pk, data={"what": what},
    )  # fmt: skip
