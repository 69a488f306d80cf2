"""Forms of signing in, people and roles. They parse and coerce; services decide."""

from datetime import date
from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm
from django.core.exceptions import ValidationError
from django.http import HttpRequest

from studylab.access import ROLE_NAMES, Role
from studylab.forms import PossibleDayField
from studylab.people.models import User
from studylab.people.selectors import (
    blind_clash,
    blocked_words,
    people_of_study,
    user_by_email,
)
from studylab.people.services.roles import BLIND_CLASH

if TYPE_CHECKING:
    from studylab.studies.models import Study

_ROLES = [(role.value, ROLE_NAMES[role]) for role in Role]


class DayField(PossibleDayField):
    """A calendar day, entered with the browser's own picker."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.DateInput({"type": "date"}, "%Y-%m-%d"))
        kwargs.setdefault("input_formats", ["%Y-%m-%d"])
        kwargs.setdefault(
            "error_messages",
            {"invalid": "Enter a day such as 2026-11-25.", "required": "Enter a day."},
        )
        super().__init__(**kwargs)


class SignInForm(AuthenticationForm):
    """E-mail address and password; closed for a while after many refusals."""

    error_messages = {
        "invalid_login": "This e-mail address and this password do not fit together. Enter both again.",
        "inactive": "This account is closed. Ask the study lead.",
    }

    def __init__(self, request: HttpRequest | None = None, *args: Any, **kwargs: Any) -> None:
        super().__init__(request, *args, **kwargs)
        self.blocked = False
        self.fields["username"].label = "E-mail address"
        self.fields["username"].widget.input_type = "email"
        self.fields["password"].label = "Password"

    def clean(self) -> dict[str, Any]:
        """Refuse unseen while the address is closed, else let the password decide."""
        email = self.cleaned_data.get("username")
        words = blocked_words(email) if email else ""
        if words:
            self.blocked = True
            raise ValidationError(words, code="blocked")
        return super().clean()


class PasswordForm(forms.Form):
    """The present password and a new one, twice."""

    old_password = forms.CharField(
        label="Present password",
        strip=False,
        widget=forms.PasswordInput({"autocomplete": "current-password"}),
    )
    new_password1 = forms.CharField(
        label="New password",
        strip=False,
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
        help_text="Several unrelated words are easy to remember and hard to guess.",
    )
    new_password2 = forms.CharField(
        label="New password again",
        strip=False,
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
    )

    def clean_new_password2(self) -> str:
        """Refuse two that differ."""
        second: str = self.cleaned_data["new_password2"]
        if self.cleaned_data.get("new_password1") not in (None, second):
            raise ValidationError("The two new passwords differ. Enter the same one twice.")
        return second


class _RoleFields(forms.Form):
    """A role with its days, for a person that the subclass finds."""

    role = forms.TypedChoiceField(
        label="Role", choices=[("", "Choose a role"), *_ROLES], coerce=Role
    )
    starts_on = DayField(label="From", help_text="The first day on which the role gives access.")
    ends_on = DayField(
        label="Until", required=False, help_text="The last day. Leave empty for a role without end."
    )

    def __init__(self, *args: Any, study: "Study", today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.study = study
        self.fields["starts_on"].initial = today

    def person(self) -> User | None:
        """Return the person the role is for, if there is one already."""
        raise NotImplementedError

    def clean(self) -> dict[str, Any]:
        """Refuse days in the wrong order, and a pharmacist on both sides of the blind."""
        data: dict[str, Any] = super().clean() or self.cleaned_data
        starts_on, ends_on, role = data.get("starts_on"), data.get("ends_on"), data.get("role")
        if starts_on and ends_on and ends_on < starts_on:
            self.add_error("ends_on", "The role ends before it starts. Check the two dates.")
        user = self.person()
        if user is not None and role and blind_clash(user, self.study, role):
            self.add_error("role", BLIND_CLASH)
        return data


class RoleForm(_RoleFields):
    """A further role for somebody who is or was in the study."""

    person_email = forms.ChoiceField(label="Person")
    field_order = ["person_email", "role", "starts_on", "ends_on"]

    def __init__(self, *args: Any, study: "Study", **kwargs: Any) -> None:
        super().__init__(*args, study=study, **kwargs)
        people = [(user.email, f"{user.name}, {user.email}") for user in people_of_study(study)]
        self.fields["person_email"].choices = [("", "Choose a person"), *people]  # type: ignore[attr-defined]

    def person(self) -> User | None:
        """Return the chosen person."""
        email = self.cleaned_data.get("person_email")
        return user_by_email(email) if email else None


class LeaveForm(forms.Form):
    """Why somebody leaves a study."""

    reason = forms.CharField(
        label="Why they leave", max_length=300,
        help_text="For example: end of contract. It stands on the trail for good, so name nobody’s private matters.",
    )  # fmt: skip


class RoleEndForm(forms.Form):
    """When and why a role ends."""

    when = forms.ChoiceField(
        label="When does it end?",
        choices=[("now", "At once: the next page is refused already"), ("day", "After a day")],
        widget=forms.RadioSelect,
    )
    ends_on = DayField(
        label="Last day",
        required=False,
        help_text="Only for “after a day”. Access lasts until its end.",
    )
    reason = forms.CharField(label="Reason", max_length=300)

    def clean(self) -> dict[str, Any]:
        """Ask for the day when one is needed; drop it when none is."""
        data: dict[str, Any] = super().clean() or self.cleaned_data
        if data.get("when") == "day" and not data.get("ends_on") and "ends_on" not in self.errors:
            self.add_error("ends_on", "Enter the last day, or choose to end the role at once.")
        if data.get("when") == "now":
            data["ends_on"] = None
        return data
