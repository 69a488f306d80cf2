"""Forms of the volunteer's own page. Their words are translated; whatever was typed stays in them."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from uuid import uuid4

from django import forms
from django.utils.dates import WEEKDAYS
from django.utils.functional import lazy
from django.utils.translation import gettext_lazy as _

from scheduling.selectors.searching import Wishes
from studylab.participants.models import LeavingWish
from studylab.participants.services.words import LONGEST, SHORT
from studylab.said_times import said_time

_TOO_LONG = _("This is too long. Please shorten it.")
AHEAD = timedelta(days=28)
_said = lazy(said_time, str)


class _Own(forms.Form):
    """Each field says in words what is missing; `key` makes a double press count once."""

    key = forms.UUIDField(widget=forms.HiddenInput, initial=uuid4)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, field in self.fields.items():
            if "max_length" in field.error_messages or hasattr(field, "max_length"):
                field.error_messages["max_length"] = _TOO_LONG
            if not isinstance(field.widget, forms.HiddenInput | forms.CheckboxSelectMultiple):
                field.widget.attrs.setdefault("class", "form-control")
            if name in self.errors if self.is_bound else False:
                field.widget.attrs["aria-invalid"] = "true"


class UnwellForm(_Own):
    """A few words and since when."""

    text = forms.CharField(
        label=_("What do you feel?"), max_length=LONGEST,
        widget=forms.Textarea(attrs={"rows": 4}),
        error_messages={"required": _("Write a few words. If you cannot, call the number above.")},
    )  # fmt: skip
    since = forms.CharField(
        label=_("Since when?"), max_length=SHORT, help_text=_("For example: since this morning."),
        error_messages={"required": _("Say since when, as well as you know.")},
    )  # fmt: skip


class MedicineForm(_Own):
    """Name as typed, since when, how much if known."""

    text = forms.CharField(
        label=_("Name of the medicine"), max_length=SHORT,
        help_text=_("As it stands on the pack. Creams, sprays, drops and herbal products count too."),
        error_messages={"required": _("Write the name, or what it is for.")},
    )  # fmt: skip
    since = forms.CharField(
        label=_("Since when?"), max_length=SHORT, help_text=_("For example: since this morning."),
        error_messages={"required": _("Say since when, as well as you know.")},
    )  # fmt: skip
    amount = forms.CharField(
        label=_("How much, how often (if you know)"), max_length=SHORT, required=False
    )


class WithdrawForm(_Own):
    """Leaving the study: nothing has to be said."""

    text = forms.CharField(
        label=_("Is there something you want to tell us? (You need not.)"), max_length=LONGEST,
        required=False, widget=forms.Textarea(attrs={"rows": 3}),
    )  # fmt: skip


def _wish(label: Any, help_text: Any, *choices: tuple[str, Any]) -> forms.ChoiceField:
    return forms.ChoiceField(
        label=label, help_text=help_text, choices=[*choices, ("silent", _("I would rather not say"))],
        widget=forms.RadioSelect, error_messages={"required": _("Choose one of the answers.")},
    )  # fmt: skip


class OwnWishForm(forms.Form):
    """What may happen after leaving. Nobody has to send it; whoever does answers each question, if only by not saying."""

    safety_contact = _wish(
        _("May we still ask how you are, for your safety?"),
        _("With “no” nobody calls you by themselves. You can still call us at any hour."),
        ("yes", _("Yes")), ("no", _("No")),
    )  # fmt: skip
    use = _wish(
        _("What may happen with the data collected so far?"),
        _("What the law asks us to keep stays stored; it is not used further if you say so."),
        ("analysis", _("They may be used in the study’s results")),
        ("no_use", _("They are not to be used further")),
    )  # fmt: skip
    contact_again = _wish(
        _("May the lab contact you again, for example about another study?"), "",
        ("yes", _("Yes")), ("no", _("No")),
    )  # fmt: skip

    def shown(self, wish: LeavingWish) -> list[tuple[Any, Any]]:
        """Return what stands, each question with its answer in the words of this page."""
        return [
            (field.label, dict(field.choices).get(getattr(wish, name)))  # type: ignore[attr-defined]
            for name, field in self.fields.items()
        ]


def _hours(first: int, last: int) -> list[tuple[str, Any]]:
    hours = [datetime(2000, 1, 2, hour, tzinfo=UTC) for hour in range(first, last + 1)]
    return [("", _("any time")), *((f"{at:%H:%M}", _said(at)) for at in hours)]


class TimesForm(forms.Form):
    """When somebody cannot come. Everything may be left open."""

    cannot = forms.MultipleChoiceField(
        label=_("Days that do not suit"), required=False, widget=forms.CheckboxSelectMultiple,
        choices=lambda: [(str(number), name) for number, name in WEEKDAYS.items()],
    )  # fmt: skip
    not_earlier = forms.ChoiceField(label=_("Not before"), required=False, choices=_hours(7, 16))
    not_later = forms.ChoiceField(label=_("Over by"), required=False, choices=_hours(10, 21))

    def wishes(self, today: date) -> Wishes:
        """Return what is asked of the search, for the days from `today` on."""
        cleaned = self.cleaned_data if self.is_bound and self.is_valid() else {}
        cannot = {int(one) for one in cleaned.get("cannot", [])}
        return Wishes(
            first_day=today, last_day=today + AHEAD,
            weekdays=frozenset(range(7)) - cannot if cannot else None,
            not_earlier=_time(cleaned.get("not_earlier")), not_later=_time(cleaned.get("not_later")),
        )  # fmt: skip


def _time(text: str | None) -> time | None:
    return time.fromisoformat(text) if text else None
