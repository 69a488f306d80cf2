"""Who is owed what: worked out from the visits and the payments on record, each time anew."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from uuid import UUID

from django.http import Http404

from scheduling.models import Payment, SentHome, Visit
from scheduling.rules.payments import NOTHING, Account, Amount, Ended, amount_of, ended_as
from scheduling.selectors.evidence import protocols_of
from studylab.allocation.selectors.published import about_export
from studylab.audit.history import STANDS
from studylab.participants.models import Participant
from studylab.spreadsheets import csv_line
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import current_protocol

_OVER = (Visit.State.DONE, Visit.State.STOPPED)
_READ = ("participant", "series", "number", "state", "started_at", "ended_by_volunteer")
COLUMNS = ("code", "due", "paid", "owed", "overpaid", "currency", "visits")


@dataclass(frozen=True, slots=True)
class Owed:
    """One line of the list to pay."""

    participant: Participant
    account: Account


def accounts_of(participant: Participant) -> list[Account]:
    """Return what one volunteer earned by visit, those to come among them, and was paid: one account a currency.

    The currency that the study pays in now comes first and is always there. Visits keep the currency of the protocol
    version under which they were held, so a later version changes nothing of what is owed.
    """
    visits = participant.visits.select_related("participant__study").order_by("series_id", "number")
    found = _accounts(list(visits), sent_home_of([participant]), payments_of([participant]))
    now = current_protocol(participant.study).plan.currency
    mine = {currency: one for (pk, currency), one in found.items() if pk == participant.pk}
    first = mine.pop(now, Account((), NOTHING, now))
    return [first, *(mine[currency] for currency in sorted(mine))]


def account_of(participant: Participant, currency: str = "") -> Account:
    """Return the account in one currency, by default the one that the study pays in now."""
    accounts = accounts_of(participant)
    if not currency:
        return accounts[0]
    return next((one for one in accounts if one.currency == currency), Account((), NOTHING, currency))  # fmt: skip


def owed_in(study: Study) -> list[Owed]:
    """Return everybody of the study to whom something is due or was paid, one row a currency, who is owed most first."""
    held = Visit.objects.filter(participant__study=study, state__in=_OVER)
    visits = list(held.only(*_READ).order_by("series_id", "number"))
    home = SentHome.objects.filter(STANDS, visit__participant__study=study, counts=True)
    paid = list(Payment.objects.filter(STANDS, participant__study=study))
    sent = list(home.select_related("visit__participant__study"))
    people = {visit.participant_id for visit in visits} | {row.participant_id for row in sent}
    known = study.participants.in_bulk(people | {payment.participant_id for payment in paid})
    for person in known.values():
        person.study = study
    for visit in visits:  # one object for each person, and one study: they are thousands of rows
        visit.participant = known[visit.participant_id]
    accounts = _accounts(visits, sent, paid)
    rows = [Owed(known[pk], account) for (pk, _currency), account in accounts.items()]
    rows = [row for row in rows if row.account.due or row.account.paid]
    return sorted(rows, key=lambda row: (-row.account.owed, -row.account.over, row.participant.code, row.account.currency))  # fmt: skip


def still_owed(participant: Participant) -> list[str]:
    """Return, as sentences, that somebody is still to be paid; nothing when not."""
    return [
        f"{one.owed} {one.currency} is still owed to {participant.code}."
        for one in accounts_of(participant)
        if one.owed
    ]


def payments_of(people: Sequence[Participant]) -> list[Payment]:
    """Return the payments that stand, oldest first."""
    found = Payment.objects.filter(STANDS, participant__in=people)
    return list(found.select_related("recorded_by", "supersedes").order_by("paid_at", "id"))


def sent_home_of(people: Sequence[Participant]) -> list[SentHome]:
    """Return when they came in vain, as it stands."""
    found = SentHome.objects.filter(STANDS, participant__in=people, counts=True)
    return list(
        found.select_related("visit__participant__study", "recorded_by").order_by("at", "id")
    )


def access_payment(study: Study, uid: UUID) -> Payment:
    """Return a payment of this study; Http404 for any other."""
    found = Payment.objects.filter(participant__study=study, uid=uid)
    payment = found.select_related("participant__study", "recorded_by").first()
    if payment is None:
        raise Http404("There is no such payment in this study.")
    return payment


def access_sent_home(study: Study, uid: UUID) -> SentHome:
    """Return a row of this study; Http404 for any other."""
    found = SentHome.objects.filter(participant__study=study, uid=uid)
    row = found.select_related("participant__study", "visit").first()
    if row is None:
        raise Http404("There is no such entry in this study.")
    return row


def payment_lines(study: Study) -> Iterator[str]:
    """Yield the list to pay as CSV text: codes and sums, never a name."""
    yield about_export(
        study,
        row="one volunteer to whom something is due or was paid in one currency",
        key="code and currency",
    )
    yield csv_line(COLUMNS)
    for row in owed_in(study):
        one = row.account
        visits = "; ".join(f"visit {a.number} {a.why} {a.due}" for a in one.amounts if a.due)
        yield csv_line((row.participant.code, one.due, one.paid, one.owed, one.over, one.currency, visits))  # fmt: skip


def _accounts(
    visits: list[Visit], home: Iterable[SentHome], paid: Iterable[Payment]
) -> dict[tuple[int, str], Account]:
    home = list(home)
    plans = protocols_of([*visits, *(row.visit for row in home)])
    amounts: dict[tuple[int, str], list[Amount]] = defaultdict(list)
    for visit in visits:
        plan = plans[visit.pk]
        ended = ended_as(visit.state, by_volunteer=visit.ended_by_volunteer)
        amounts[visit.participant_id, plan.currency].append(_amount(visit, ended, plan))
    for row in home:
        plan = plans[row.visit_id]
        amounts[row.participant_id, plan.currency].append(
            _amount(row.visit, Ended.SENT_HOME, plan, uid=str(row.uid))
        )
    sums: dict[tuple[int, str], Decimal] = defaultdict(lambda: NOTHING)
    for payment in paid:
        sums[payment.participant_id, payment.currency] += payment.amount
    keys = {*amounts, *sums}
    return {key: Account(tuple(amounts[key]), sums[key], key[1]) for key in keys}


def _amount(visit: Visit, ended: Ended, plan: Protocol, uid: str = "") -> Amount:
    return amount_of(
        number=visit.number, ended=ended, payment=plan.visit(visit.number).payment,
        stopped_share=plan.payments.stopped_share, uid=uid, currency=plan.currency,
    )  # fmt: skip
