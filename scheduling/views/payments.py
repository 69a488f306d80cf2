"""Payments of volunteers: the list to pay, one account, marking as paid, correcting, the receipt."""

from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import translation
from django.views.decorators.http import require_GET, require_http_methods

from scheduling.forms.payments import PaymentCorrectForm, PaymentForm, SentHomeForm, TakeBackForm
from scheduling.models import Payment
from scheduling.rules.payments import totals
from scheduling.rules.sum_words import sum_in_words
from scheduling.selectors.payments import (
    access_payment,
    access_sent_home,
    account_of,
    accounts_of,
    owed_in,
    payment_lines,
    payments_of,
    sent_home_of,
)
from scheduling.services import payments as services
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.models import Participant
from studylab.participants.selectors import access_participant
from studylab.studies.selectors import current_protocol
from studylab.templatetags.studylab import day

PER_PAGE = 50


@requires(Cap.PAYMENTS)
@require_GET
def payments(request: StaffRequest, study: str) -> HttpResponse:
    """Show who is owed what, by code, those to pay first."""
    rows = owed_in(request.study)
    page = Paginator(rows, PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "to_pay": [row for row in page if row.account.owed],
        "settled": [row for row in page if not row.account.owed],
        "totals": totals(row.account for row in rows),
        "owed_to": len({row.participant.pk for row in rows if row.account.owed}),
        "page": page,
        "current_section": "volunteers",
    }
    return render(request, "scheduling/payments/list.html", context)


@requires(Cap.PAYMENTS)
@require_GET
def payments_csv(request: StaffRequest, study: str) -> StreamingHttpResponse:
    """Hand out the list to pay."""
    answer = StreamingHttpResponse(
        payment_lines(request.study), content_type="text/csv; charset=utf-8"
    )
    answer["Content-Disposition"] = f'attachment; filename="payments-{request.study.slug}.csv"'
    return answer


@requires(Cap.PAYMENTS)
@require_GET
def payment_account(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Show what one volunteer earned by visit, and every payment."""
    person = access_participant(request.study, code)
    about = _about(person)
    context = {
        **about,
        "any_visit": any(one.amounts for one in about["accounts"]),
        "payments": payments_of([person]),
        "sent_home": {str(row.uid): row for row in sent_home_of([person])},
        "back": reverse("volunteer", args=[study, code]),
    }
    return render(request, "scheduling/payments/account.html", context)


@requires(Cap.PAYMENTS)
@require_http_methods(["GET", "POST"])
def payment_add(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Mark as paid; the receipt comes next."""
    person = access_participant(request.study, code)
    about = _about(person)
    accounts = about["accounts"]
    first = next((one for one in accounts if one.owed), accounts[0])
    form = PaymentForm(
        posted(request), currencies=[one.currency for one in accounts],
        initial={"amount": first.owed or None, "currency": first.currency},
    )  # fmt: skip

    def write() -> Payment:
        return services.payment_record(participant=person, actor=request.actor, **form.cleaned_data)

    return answer_form(
        request, form=form, template="scheduling/payments/form.html", write=write,
        done=lambda made: reverse("payment_receipt", args=[study, made.uid]),
        message=f"{code} is marked as paid.", shown="/".join(f"{one.due}-{one.paid}-{one.currency}" for one in accounts),
        context={**about, "heading": f"Mark {code} as paid", "submit": "Mark as paid"},
    )  # fmt: skip


@requires(Cap.PAYMENTS)
@require_http_methods(["GET", "POST"])
def payment_correct(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Correct a payment by a further entry."""
    payment = access_payment(request.study, uid)
    person = payment.participant
    form = PaymentCorrectForm(posted(request), payment=payment)

    def write() -> Payment:
        return services.payment_correct(payment=payment, actor=request.actor, **form.cleaned_data)

    return answer_form(
        request, form=form, template="scheduling/payments/form.html", write=write,
        done=lambda _: reverse("payment_account", args=[study, person.code]),
        message="Corrected. The earlier entry stays on record.",
        context={**_about(person), "heading": f"Correct a payment of {person.code}", "submit": "Correct it"},
    )  # fmt: skip


@requires(Cap.PAYMENTS)
@require_http_methods(["GET", "POST"])
def payment_sent_home(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Record that somebody came and the visit did not begin."""
    person = access_participant(request.study, code)
    visits = {str(row.uid): row for row in person.visits.order_by("series_id", "number")}
    choices = [(uid, f"Visit {row.number}, planned {day(row.planned.lower)}") for uid, row in visits.items()]  # fmt: skip
    form = SentHomeForm(posted(request), visits=choices)

    def write() -> object:
        kept = form.cleaned_data
        return services.sent_home_record(
            visit=visits[kept["visit"]], at=kept["at"], reason=kept["reason"], actor=request.actor
        )

    return answer_form(
        request, form=form, template="scheduling/payments/form.html", write=write,
        done=lambda _: reverse("payment_account", args=[study, code]),
        message="On record: the visit is paid as if it had taken place.",
        context={**_about(person), "heading": f"{code} came and was sent home", "submit": "Record"},
    )  # fmt: skip


@requires(Cap.PAYMENTS)
@require_http_methods(["GET", "POST"])
def sent_home_take_back(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take such an entry back."""
    row = access_sent_home(request.study, uid)
    form = TakeBackForm(posted(request))
    back = reverse("payment_account", args=[study, row.participant.code])

    def write() -> object:
        return services.sent_home_take_back(row=row, actor=request.actor, **form.cleaned_data)

    return answer_form(
        request, form=form, template="parts/confirm_page.html", write=write, done=lambda _: back,
        message="Taken back. The earlier entry stays on record.",
        context={
            "heading": f"Take back that {row.participant.code} was sent home?",
            "text": f"Visit {row.visit.number} is then not paid for that day.",
            "submit": "Take back", "cancel": back, "current_section": "volunteers",
        },
    )  # fmt: skip


@requires(Cap.PAYMENTS)
@require_GET
def payment_receipt(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Show a receipt to print and sign, in the volunteer's language."""
    payment = access_payment(request.study, uid)
    person = payment.participant
    account = account_of(person, payment.currency)
    context = {
        **_about(person),
        "payment": payment,
        "corrected": Payment.objects.filter(supersedes=payment).exists(),
        "account": account,
        "lines": [one for one in account.amounts if one.due],
        "words": sum_in_words(payment.amount, person.language),
        "language": person.language,
        "plan": current_protocol(request.study).plan,
        "back": reverse("payment_account", args=[study, person.code]),
    }
    with translation.override(person.language):
        receipt = render(request, "scheduling/payments/_receipt.html", context).content.decode()
    return render(request, "scheduling/payments/receipt.html", {**context, "receipt": receipt})


def _about(person: Participant) -> dict[str, Any]:
    return {
        "participant": person,
        "accounts": accounts_of(person),
        "back": reverse("payment_account", args=[person.study.slug, person.code]),
        "current_section": "volunteers",
    }
