"""Payments through services and pages: due from visits, marked by whom, corrected, printed, listed."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from scheduling.models import Payment, SentHome
from scheduling.selectors.payments import account_of, accounts_of, owed_in, still_owed
from scheduling.services.payments import (
    payment_correct,
    payment_record,
    sent_home_record,
    sent_home_take_back,
)
from scheduling.services.visits import visit_stop
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.models import Participant
from studylab.participants.selectors import contact_details
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.loader import protocol_hash
from tests import cast
from tests.scheduling.pages.conftest import Pages, booked, dosed, first, pages_of, ready, seen_once  # noqa: F401
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db]
PagesOf = Callable[[Case], Pages]


def pay(case: Case, amount: str, role: str = "coordinator", **changed: Any) -> Payment:
    given = {"amount": Decimal(amount), "paid_at": case.t, "how": "cash", **changed}
    made: Payment = case.act(payment_record, role, participant=case.participant, **given)
    return made


def pay_in_euro(case: Case) -> None:
    """A second protocol version, confirmed now, that pays in another currency."""
    text = case.study.protocol_versions.get().document
    text = text.replace('currency = "CAD"', 'currency = "EUR"')
    with case.now():
        ProtocolVersion.objects.create(
            study=case.study, number=2, document=text, sha256=protocol_hash(text), added_at=case.t
        )
        cast.confirm_limits(case.study, case.users["clinician"])


def test_each_visit_is_due_when_it_is_over_and_not_before(booked: Case) -> None:  # noqa: F811
    assert account_of(booked.participant).due == 0
    assert owed_in(booked.study) == []
    booked.start(1)
    assert account_of(booked.participant).due == 0
    booked.fill(1)
    booked.finish(1)
    account = account_of(booked.participant)
    assert (account.due, account.owed, account.paid) == (30, 30, 0)
    (row,) = owed_in(booked.study)
    assert row.account.owed == 30
    assert [one.number for one in row.account.amounts] == [1]


@pytest.mark.parametrize("wish", [True, False])
def test_a_visit_that_was_begun_and_stopped_is_due(first: Case, wish: bool) -> None:  # noqa: F811
    """The shipped document pays it in full either way; that the share follows the wish is in test_rules."""
    first.act(visit_stop, visit=first.visit(1), reason="Enough for today.", by_volunteer=wish)
    account = account_of(first.participant)
    assert account.due == 30
    assert account.amounts[0].ended == ("by_volunteer" if wish else "by_study")


def test_paid_corrected_and_taken_back(seen_once: Case) -> None:  # noqa: F811
    with pytest.raises(NotAllowed):
        pay(seen_once, "30", role="experimenter")
    for wrong, words in (("0", "above nought"), ("30.005", "two decimals"), ("31", "30.00 CAD is owed")):  # fmt: skip
        with pytest.raises(Refused, match=words):
            pay(seen_once, wrong)
    with pytest.raises(Refused, match="no bank data"):
        pay(seen_once, "30", note="to CA12 3456 7890 12")
    with pytest.raises(Refused, match="later than now"):
        pay(seen_once, "30", paid_at=seen_once.t + timedelta(minutes=1))
    made = pay(seen_once, "30")
    assert account_of(seen_once.participant).owed == 0
    with pytest.raises(Refused, match=r"0.00 CAD is owed"):
        pay(seen_once, "30")
    correct = {
        "payment": made,
        "paid_at": seen_once.t,
        "how": "cash",
        "reason": "Ten were missing.",
    }
    after = seen_once.act(payment_correct, "coordinator", amount=Decimal("20"), **correct)
    account = account_of(seen_once.participant)
    assert (account.due, account.paid, account.owed) == (30, 20, 10)
    with pytest.raises(Conflict):
        seen_once.act(payment_correct, "coordinator", amount=Decimal("25"), **correct)
    seen_once.act(
        payment_correct, "coordinator", amount=Decimal(0), **{**correct, "payment": after}
    )
    assert account_of(seen_once.participant).owed == 30
    assert Payment.objects.count() == 3
    assert [e.action for e in Event.objects.filter(action__startswith="payment.").order_by("id")] == [
        "payment.recorded", "payment.corrected", "payment.corrected",
    ]  # fmt: skip
    over = pay(seen_once, "31", note="One for the bus.")
    assert over.recorded_by == seen_once.users["coordinator"]
    assert account_of(seen_once.participant).over == 1


def test_who_came_in_vain_is_paid_once_a_day(booked: Case) -> None:  # noqa: F811
    visit = booked.visit(1)
    booked.t = visit.planned.lower
    came = {"visit": visit, "at": booked.t, "reason": "The physician was called away."}
    row = booked.act(sent_home_record, "coordinator", **came)
    assert account_of(booked.participant).due == 30
    assert [one.account.due for one in owed_in(booked.study)] == [30]
    with pytest.raises(Conflict, match="once a day"):
        booked.act(sent_home_record, "coordinator", **came)
    booked.act(sent_home_take_back, "coordinator", row=row, reason="It was somebody else.")
    assert account_of(booked.participant).due == 0
    with pytest.raises(Conflict):
        booked.act(sent_home_take_back, "coordinator", row=row, reason="Again.")
    assert SentHome.objects.count() == 2


def test_the_pages_show_list_mark_print_and_correct(seen_once: Case, pages_of: PagesOf) -> None:  # noqa: F811
    pages, code = pages_of(seen_once), seen_once.participant.code
    details = contact_details(seen_once.participant.person)
    assert details is not None
    listed = pages.text(pages.url("payments"), "coordinator")
    assert "To pay: 30.00 CAD to 1" in listed
    assert code in listed
    assert "30.00 CAD</strong> to pay" in pages.text(pages.url("volunteer", code), "lead")
    add = pages.url("payment_add", code)
    form = {
        "amount": "30.00",
        "paid_at": seen_once.t.strftime("%Y-%m-%d") + "T00:01",
        "how": "cash",
    }
    assert pages.post(add, {}, "coordinator").status_code == 409
    stale = pages.post(add, {**form, "shown": "0.00-0.00-CAD"}, "coordinator")
    assert stale.status_code == 409
    bad = pages.post(add, {**form, "amount": "99", "shown": "30.00-0.00-CAD"}, "coordinator")
    assert bad.status_code == 422
    assert 'value="99"' in bad.content.decode()
    made = pages.post(add, {**form, "shown": "30.00-0.00-CAD"}, "coordinator")
    receipt = pages.text(made["Location"], "coordinator")
    assert "thirty and 00/100 (CAD)" in receipt
    assert details.family_name not in receipt
    Participant.objects.update(language="fr-ca")
    french = pages.text(made["Location"], "coordinator")
    assert "trente et 00/100 (CAD)" in french
    assert "Reçu" in french
    assert "Signature de la personne participante" in french
    listed = pages.text(pages.url("payments"), "lead")
    assert "Nobody is owed anything now." in listed
    payment = Payment.objects.get()
    wrong = pages.url("payment_correct", payment.uid)
    assert pages.post(wrong, {**form, "amount": "10", "reason": ""}, "lead").status_code == 422
    assert pages.post(wrong, {**form, "amount": "10", "reason": "Slip."}, "lead").status_code == 302
    account = pages.text(pages.url("payment_account", code), "lead")
    assert "Corrected from 30.00: Slip." in account
    assert "20.00 CAD</strong> to pay" in account
    body = pages.get(pages.url("payments_csv"), "lead")
    lines = b"".join(body.streaming_content).decode().splitlines()
    assert lines[0].startswith("# Study ")
    assert lines[3] == "code,due,paid,owed,overpaid,currency,visits"
    assert lines[4].startswith(f"{code},30.00,10.00,20.00,0.00,CAD,")
    for role in ("experimenter", "clinician", "monitor", "pharmacist"):
        assert pages.get(pages.url("payments"), role).status_code == 403


def test_another_currency_has_a_sum_of_its_own(seen_once: Case, pages_of: PagesOf) -> None:  # noqa: F811
    """Visit 1 was held under a version that pays in one currency; the next version pays in another."""
    person = seen_once.participant
    pay_in_euro(seen_once)
    assert [(one.currency, one.due) for one in accounts_of(person)] == [("EUR", 0), ("CAD", 30)]
    assert len(accounts_of(person)[0].amounts) == 2
    visit = seen_once.visit(2)
    came = {"visit": visit, "at": seen_once.t, "reason": "The physician was called away."}
    seen_once.act(sent_home_record, "coordinator", **came)
    owed = {one.currency: one.owed for one in accounts_of(person)}
    assert set(owed) == {"EUR", "CAD"}
    assert all(owed.values())
    with pytest.raises(Refused, match="Nothing is due in USD"):
        pay(seen_once, "30.00", currency="USD")
    with pytest.raises(Refused, match=r"30\.00 CAD is owed"):
        pay(seen_once, "30.01", currency="CAD")
    pages, code = pages_of(seen_once), person.code
    listed = pages.text(pages.url("payments"), "lead")
    assert f"To pay: 30.00 CAD and {owed['EUR']} EUR to 1" in listed
    assert still_owed(person) == [
        f"{owed['EUR']} EUR is still owed to {code}.", f"30.00 CAD is still owed to {code}.",
    ]  # fmt: skip
    add = pages.url("payment_add", code)
    shown = pages.get(add, "coordinator").context["shown"]
    day = seen_once.t.strftime("%Y-%m-%d")
    form = {"amount": "30.00", "paid_at": f"{day}T00:01", "how": "cash", "shown": shown}
    assert pages.post(add, form, "coordinator").status_code == 422
    made = pages.post(add, {**form, "currency": "CAD"}, "coordinator")
    receipt = pages.words(made["Location"], "coordinator")
    assert "thirty and 00/100 (CAD)" in receipt
    assert "EUR" not in receipt
    assert [(one.currency, one.owed) for one in accounts_of(person)] == [
        ("EUR", owed["EUR"]),
        ("CAD", 0),
    ]
    lines = b"".join(pages.get(pages.url("payments_csv"), "lead").streaming_content).decode()
    assert f"{code},30.00,30.00,0.00,0.00,CAD," in lines
    assert f"{code},{owed['EUR']},0.00,{owed['EUR']},0.00,EUR," in lines


def test_the_list_comes_a_page_at_a_time(
    seen_once: Case,  # noqa: F811
    pages_of: PagesOf,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("scheduling.views.payments.PER_PAGE", 1)
    visit = seen_once.visit(2)
    pay_in_euro(seen_once)
    came = {"visit": visit, "at": seen_once.t, "reason": "The physician was called away."}
    seen_once.act(sent_home_record, "coordinator", **came)
    pages = pages_of(seen_once)
    first_page, second = (
        pages.text(f"{pages.url('payments')}?page={number}", "lead") for number in (1, 2)
    )
    for text in (first_page, second):
        assert "CAD and" in text, "the sums are those of everybody"
        assert text.count("to pay") == 1
    assert "page=2" in first_page


def test_nobody_to_pay_says_so(booked: Case, pages_of: PagesOf) -> None:  # noqa: F811
    pages = pages_of(booked)
    assert "Nobody is owed anything now." in pages.text(pages.url("payments"), "lead")
    account = pages.text(pages.url("payment_account", booked.participant.code), "lead")
    assert "Nothing was paid yet." in account
    assert "Not over yet" in account
