"""Recording that volunteers were paid, and that somebody came for a visit in vain."""

from datetime import datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from scheduling.models import Payment, SentHome, Visit
from scheduling.rules.payments import exact, names_an_account
from scheduling.selectors.payments import accounts_of
from scheduling.services.running import reason_of, user_of
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.history import STANDS
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.services.checks import lock_participant

MOST = Decimal("999999.99")


@service
def payment_record(
    *, participant: Participant, amount: Decimal, paid_at: datetime, how: str, currency: str = "", note: str = "",
    actor: Actor,
) -> Payment:  # fmt: skip
    """Record a payment that was made. More than is owed needs a word why; no bank data is taken.

    `currency` is one in which the volunteer has an account, by default the one that the study pays in now.
    """
    require(actor, Cap.PAYMENTS)
    person = lock_participant(participant, actor)
    accounts = {one.currency: one for one in accounts_of(person)}
    currency = currency or next(iter(accounts))
    if currency not in accounts:
        raise Refused(
            f"Nothing is due in {currency}. Choose {' or '.join(accounts)}.", field="currency"
        )
    owed = accounts[currency].owed
    _check(amount, paid_at, how, note)
    if amount <= 0:
        raise Refused("Enter what was paid, above nought.", field="amount")
    if amount > owed and not note.strip():
        raise Refused(
            f"{owed} {currency} is owed, this is more. Correct the amount, or say in the note why more was paid.",
            field="amount",
        )
    payment = Payment.objects.create(
        participant=person, amount=amount, currency=currency, paid_at=paid_at, how=how,
        note=note.strip(), recorded_at=clock.now(), recorded_by_id=user_of(actor),
    )  # fmt: skip
    _note(payment, Action.PAYMENT_RECORDED, actor)
    return payment


@service
def payment_correct(
    *, payment: Payment, amount: Decimal, paid_at: datetime, how: str, note: str = "", reason: str, actor: Actor
) -> Payment:  # fmt: skip
    """Record how a payment really was; an amount of nought says that it was not made. The earlier row stays."""
    require(actor, Cap.PAYMENTS)
    person = lock_participant(payment.participant, actor)
    if Payment.objects.filter(supersedes=payment).exists():
        raise Conflict("This payment was corrected already. Look at the newest entry.")
    _check(amount, paid_at, how, note)
    why = reason_of(reason, ask="Say why the payment is corrected.")
    corrected = Payment.objects.create(
        participant=person, amount=amount, currency=payment.currency, paid_at=paid_at, how=how,
        note=note.strip(), recorded_at=clock.now(), recorded_by_id=user_of(actor),
        supersedes=payment, reason=why,
    )  # fmt: skip
    _note(corrected, Action.PAYMENT_CORRECTED, actor, before=payment)
    return corrected


@service
def sent_home_record(*, visit: Visit, at: datetime, reason: str, actor: Actor) -> SentHome:
    """Record that somebody came for a visit and the study did not begin it: it is paid in full."""
    require(actor, Cap.PAYMENTS)
    person = lock_participant(visit.participant, actor)
    zone, now = ZoneInfo(person.study.timezone), clock.now()
    if at > now:
        raise Refused("This is later than now. Check date and time.", field="at")
    why = reason_of(reason, ask="Say why the visit did not begin.")
    standing = SentHome.objects.filter(STANDS, visit=visit, counts=True)
    days = {row.at.astimezone(zone).date() for row in standing}
    visit.refresh_from_db()
    if visit.started_at:
        days.add(visit.started_at.astimezone(zone).date())
    if at.astimezone(zone).date() in days:
        raise Conflict("This visit is on record for that day already, and counts once a day.")
    row = SentHome.objects.create(
        participant=person, visit=visit, at=at, counts=True, reason=why, recorded_at=now,
        recorded_by_id=user_of(actor),
    )  # fmt: skip
    _note_home(row, Action.SENT_HOME_RECORDED, actor)
    return row


@service
def sent_home_take_back(*, row: SentHome, reason: str, actor: Actor) -> SentHome:
    """Take back that somebody came in vain: it was another visit, or nobody came."""
    require(actor, Cap.PAYMENTS)
    person = lock_participant(row.participant, actor)
    if not row.counts or SentHome.objects.filter(supersedes=row).exists():
        raise Conflict("This was taken back already.")
    back = SentHome.objects.create(
        participant=person, visit_id=row.visit_id, at=row.at, counts=False, supersedes=row,
        reason=reason_of(reason, ask="Say why this is taken back."), recorded_at=clock.now(),
        recorded_by_id=user_of(actor),
    )  # fmt: skip
    _note_home(back, Action.SENT_HOME_TAKEN_BACK, actor)
    return back


def _check(amount: Decimal, paid_at: datetime, how: str, note: str) -> None:
    if not 0 <= amount <= MOST or amount != exact(amount):
        raise Refused("Enter an amount with at most two decimals, for example 120.00.", field="amount")  # fmt: skip
    if paid_at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="paid_at")
    if how not in Payment.How.values:
        raise Refused("Choose how it was paid.", field="how")
    if names_an_account(note):
        raise Refused("This looks like the number of an account or card. Leave it out: no bank data is kept here.", field="note")  # fmt: skip


def _note(payment: Payment, action: Action, actor: Actor, before: Payment | None = None) -> None:
    audit(
        actor=actor, action=action, subject_type="payment", subject_code=payment.uid,
        participant_code=payment.participant.code, reason=payment.reason,
        data={
            "amount": str(payment.amount), "currency": payment.currency, "how": payment.how,
            "paid_at": payment.paid_at.isoformat(),
            **({"before": str(before.amount)} if before else {}),
        },
    )  # fmt: skip


def _note_home(row: SentHome, action: Action, actor: Actor) -> None:
    audit(
        actor=actor, action=action, subject_type="visit", subject_code=row.visit.uid,
        participant_code=row.participant.code, reason=row.reason,
        data={"visit": row.visit.number, "at": row.at.isoformat()},
    )  # fmt: skip
