"""Forms of the dose page: the kit, what two people read from it, and a corrected time."""

from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from scheduling.forms.steps import NO_NAMES, ActForm
from scheduling.models import Dose
from studylab import codes
from studylab.forms import InstantField, local_minute

_SCAN = {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}


def _kit_number(text: str) -> str:
    """Return a kit's number as it is written; say what is wrong with one that is none."""
    problem = codes.explain(text, "kit")
    if problem:
        raise ValidationError(problem, code="kit")
    return codes.normalise(text)


class KitForm(forms.Form):
    """The number on the kit, scanned or typed. Sent by GET: looking at a kit writes nothing."""

    kit = forms.CharField(
        label="Kit number", max_length=20, widget=forms.TextInput({**_SCAN, "class": "kit-number"}),
        error_messages={"required": "Scan the kit, or type its number."},
        help_text="Scan the label or type it. The last character is a check character: a number that was "
        "misread or mistyped is noticed here.",
    )  # fmt: skip

    def clean_kit(self) -> str:
        """Return the number as it is written."""
        return _kit_number(self.cleaned_data["kit"])


class AmountField(forms.CharField):
    """A number as printed on a container. A decimal comma is read; nothing is rounded."""

    def __init__(self, *, whole: bool = False, **kwargs: Any) -> None:
        self.whole = whole
        mode = "numeric" if whole else "decimal"
        widget = forms.TextInput(
            {"inputmode": mode, "autocomplete": "off", "class": "masked", "size": 6}
        )
        super().__init__(max_length=10, widget=widget, **kwargs)

    def clean(self, value: Any) -> int | Decimal:
        """Return the number; refuse what is no plain positive one."""
        text = str(super().clean(value)).strip().replace(",", ".")
        plain = text.isascii() and text.replace(".", "", 0 if self.whole else 1).isdigit()
        number = Decimal(text) if plain and text[0] != "." and text[-1] != "." else Decimal(0)
        if not 0 < number < 10000:
            kind = "a whole number, for example 2" if self.whole else "a number, for example 12.5"
            raise ValidationError(
                f"Enter {kind}, as it is printed on the container.", code="number"
            )
        return int(number) if self.whole else number


class DoseForm(ActForm):
    """What both people read from the container, and that it was swallowed.

    Entries are masked once the field is left, so that the second person reads the container, not the screen.
    """

    kit_number = forms.CharField(widget=forms.HiddenInput, max_length=20)
    count = AmountField(label="How many", whole=True)
    strength_mg = AmountField(label="Strength of one, in mg")
    second_email = forms.EmailField(
        label="E-mail they sign in with", widget=forms.EmailInput({"autocomplete": "off"})
    )
    second_password = forms.CharField(
        label="Their password", strip=False,
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
    )  # fmt: skip
    second_count = AmountField(label="How many", whole=True)
    second_strength_mg = AmountField(label="Strength of one, in mg")
    mouth_checked = forms.BooleanField(
        label="Swallowed: the mouth was looked into and is empty", required=False,
        help_text="Left open, it is recorded that swallowing is not certain, as a deviation.",
    )  # fmt: skip
    given_at = InstantField(
        label="Given at, if not just now", required=False,
        help_text="Leave empty for now. At most 10 minutes ago.",
    )  # fmt: skip

    def cells(self, *names: str) -> list[Any]:
        """Return fields for a part of the page."""
        return [self[name] for name in names]

    @property
    def first_person(self) -> list[Any]:
        """What the person who is signed in reads."""
        return self.cells("count", "strength_mg")

    @property
    def second_person(self) -> list[Any]:
        """What the second person reads, and who they are."""
        return self.cells("second_count", "second_strength_mg", "second_email", "second_password")

    @property
    def swallowing(self) -> list[Any]:
        """That it was swallowed, and when."""
        return self.cells("mouth_checked", "given_at")


class PastGateForm(DoseForm):
    """A capsule that was swallowed although the gate did not open, or was not recorded at once."""

    kit_number = forms.CharField(
        label="Kit number on the container", max_length=20, widget=forms.TextInput({**_SCAN, "class": "kit-number"}),
        error_messages={"required": "Scan the kit, or type its number."},
    )  # fmt: skip
    given_at = InstantField(label="When it was swallowed")
    past_the_gate = forms.CharField(
        label="How did it come about?", max_length=300, widget=forms.Textarea({"rows": 3}),
        help_text=NO_NAMES,
    )  # fmt: skip

    def clean_kit_number(self) -> str:
        """Return the number as it is written."""
        return _kit_number(self.cleaned_data["kit_number"])

    @property
    def happened(self) -> list[Any]:
        """What was swallowed, when, and why."""
        return self.cells("kit_number", "given_at", "past_the_gate")


class DoseCorrectForm(forms.Form):
    """The right time of a dose, and why the first one was wrong."""

    given_at = InstantField(label="When it was really given")
    reason = forms.CharField(
        label="Why is the time corrected?", max_length=300, widget=forms.Textarea({"rows": 3}),
        help_text=NO_NAMES,
    )  # fmt: skip

    def __init__(self, *args: Any, dose: Dose, **kwargs: Any) -> None:
        kwargs.setdefault("initial", {"given_at": local_minute(dose.given_at)})
        super().__init__(*args, **kwargs)
