"""Forms of payments."""

from typing import Any

from django import forms

from scheduling.models import Payment
from studylab import clock
from studylab.forms import InstantField, local_minute


class PaymentForm(forms.Form):
    """What was paid, when and how; in which currency where the volunteer has accounts in several."""

    currency = forms.ChoiceField(label="Currency", widget=forms.RadioSelect)
    amount = forms.DecimalField(
        label="Amount paid", min_value=0, max_digits=9, decimal_places=2,
        widget=forms.NumberInput({"step": "0.01", "inputmode": "decimal"}),
    )  # fmt: skip
    paid_at = InstantField(label="When")
    how = forms.ChoiceField(label="How", choices=Payment.How.choices, widget=forms.RadioSelect)
    note = forms.CharField(
        label="Note", required=False, max_length=200,
        help_text="For example the number of a receipt block. Never a name, an account or a card number.",
    )  # fmt: skip

    def __init__(self, *args: Any, currencies: list[str], **kwargs: Any) -> None:
        kwargs["initial"] = {"paid_at": local_minute(clock.now()), **kwargs.get("initial", {})}
        super().__init__(*args, **kwargs)
        if len(currencies) > 1:
            self.fields["currency"].choices = [(one, one) for one in currencies]  # type: ignore[attr-defined]
        else:
            del self.fields["currency"]
            self.fields["amount"].label = f"Amount paid, in {currencies[0]}"


class PaymentCorrectForm(PaymentForm):
    """How a payment really was, and why it is corrected."""

    reason = forms.CharField(
        label="Why is it corrected?", max_length=300, widget=forms.Textarea({"rows": 2})
    )

    def __init__(self, *args: Any, payment: Payment, **kwargs: Any) -> None:
        kwargs["initial"] = {
            "amount": payment.amount, "paid_at": local_minute(payment.paid_at), "how": payment.how,
            "note": payment.note,
        }  # fmt: skip
        super().__init__(*args, currencies=[payment.currency], **kwargs)
        self.fields["amount"].help_text = "0 says that it was not paid at all."


class SentHomeForm(forms.Form):
    """For which visit somebody came in vain, when and why."""

    visit = forms.ChoiceField(label="For which visit?")
    at = InstantField(label="When did they come?")
    reason = forms.CharField(
        label="Why did the visit not begin?", max_length=300, widget=forms.Textarea({"rows": 2})
    )

    def __init__(self, *args: Any, visits: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["visit"].choices = visits  # type: ignore[attr-defined]


class TakeBackForm(forms.Form):
    """Why an entry is taken back."""

    reason = forms.CharField(label="Why?", max_length=300)
