"""Forms of devices: naming, lock time, revoking, and the password at a device."""

from collections.abc import Sequence
from typing import Any

from django import forms
from django.contrib.auth import authenticate
from django.core.exceptions import ValidationError
from django.http import HttpRequest

from studylab.forms import InstantField
from studylab.people.models import User
from studylab.people.rules.devices import (
    LOCK_MINUTES_MAX,
    LOCK_MINUTES_MIN,
    LOCK_MINUTES_PROPOSED,
)
from studylab.people.selectors import blocked_words


class LockTimeForm(forms.Form):
    """After how many idle minutes a device locks."""

    lock_minutes = forms.IntegerField(
        label="Locks after so many idle minutes", min_value=LOCK_MINUTES_MIN,
        max_value=LOCK_MINUTES_MAX, initial=LOCK_MINUTES_PROPOSED,
        help_text=f"From {LOCK_MINUTES_MIN} to {LOCK_MINUTES_MAX}. A lab may choose; {LOCK_MINUTES_PROPOSED} is a proposal.",
    )  # fmt: skip


class DeviceForm(LockTimeForm):
    """The name of a device and its lock time."""

    name = forms.CharField(
        label="Name of this device", max_length=60,
        help_text="As it stands on the device itself, for example “Tablet room 2”.",
    )  # fmt: skip
    field_order = ("name", "lock_minutes")


class RevokeForm(forms.Form):
    """Why a device is revoked, and since when it is out of safe hands."""

    reason = forms.CharField(
        label="Reason", max_length=300,
        help_text="For example: left in the tram; screen broken, taken out of use.",
    )  # fmt: skip
    lost_at = InstantField(
        label="Lost or stolen at", required=False,
        help_text="When it was last known to be in safe hands. Leave empty when it is not lost.",
    )  # fmt: skip


class PasswordHere(forms.Form):
    """The password of somebody known to this device; `user` is who gave it, once the form is valid."""

    password = forms.CharField(
        label="Password", strip=False,
        widget=forms.PasswordInput({"autocomplete": "current-password"}),
    )  # fmt: skip

    def __init__(self, data: Any, *, request: HttpRequest, people: Sequence[User]) -> None:
        super().__init__(data)
        self.request, self.people = request, people
        self.user: User | None = None
        self.blocked = False

    def whose(self) -> User | None:
        """Return whose password it has to be."""
        return self.people[0]

    def clean(self) -> dict[str, Any]:
        """Refuse unseen while too many were wrong, else let the password decide."""
        cleaned: dict[str, Any] = super().clean() or {}
        person = self.whose()
        if person is None or not cleaned.get("password"):
            return cleaned
        if words := blocked_words(person.email):
            self.blocked = True
            raise ValidationError(words, code="blocked")
        found = authenticate(
            self.request, username=person.email, password=cleaned["password"]
        )  # a wrong one is noted on the trail by the signal
        if found is None:
            self.add_error("password", f"This is not the password of {person.name}.")
            return cleaned
        assert isinstance(found, User)
        self.user = found
        return cleaned


class ChangeUserForm(PasswordHere):
    """Who takes the device over, and their password."""

    person = forms.ChoiceField(
        label="Who are you?", widget=forms.RadioSelect,
        error_messages={"required": "Choose your name.", "invalid_choice": "Choose your name."},
    )  # fmt: skip
    field_order = ("person", "password")

    def __init__(self, data: Any, *, request: HttpRequest, people: Sequence[User]) -> None:
        super().__init__(data, request=request, people=people)
        field = self.fields["person"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [(str(one.pk), one.name) for one in people]

    def whose(self) -> User | None:
        """Return whom was chosen."""
        chosen = self.cleaned_data.get("person")
        return next((one for one in self.people if str(one.pk) == chosen), None)
