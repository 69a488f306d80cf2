"""Forms of inviting, and of answering an invitation. They parse and coerce; services decide."""

from datetime import date
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from studylab.access import ROLE_NAMES, UNBLINDED_ROLES, Role
from studylab.people.forms import DayField
from studylab.people.rules.account_rules import IDENTITY
from studylab.people.rules.invitations import both_sides
from studylab.people.services.roles import BLIND_CLASH

_ROLES = [(role.value, ROLE_NAMES[role]) for role in Role]


class InvitationForm(forms.Form):
    """Who is invited, as what, from when."""

    name = forms.CharField(
        label="Full name", max_length=150, help_text="As it is printed in signatures."
    )
    email = forms.EmailField(
        label="E-mail address", max_length=254,
        help_text="The person’s own address: it becomes their sign-in. No address that several people read.",
    )  # fmt: skip
    identity = forms.ChoiceField(
        label="How do you know who this is?", choices=list(IDENTITY.items()), widget=forms.RadioSelect,
        help_text="What they sign here binds them like a signature by hand.",
        error_messages={"required": "Say how you know who this is."},
    )  # fmt: skip
    roles = forms.TypedMultipleChoiceField(
        label="Roles", choices=_ROLES, coerce=Role, widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Choose at least one role."},
    )  # fmt: skip
    starts_on = DayField(
        label="From",
        help_text="The first day on which the roles give access, once the person has accepted.",
    )
    ends_on = DayField(
        label="Until", required=False, help_text="The last day. Leave empty for roles without end."
    )

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["starts_on"].initial = today

    def clean_roles(self) -> list[Role]:
        """Refuse roles on both sides of the blind."""
        roles: list[Role] = self.cleaned_data["roles"]
        if both_sides(roles, UNBLINDED_ROLES):
            raise ValidationError(BLIND_CLASH)
        return roles


class WithdrawForm(forms.Form):
    """Why an invitation is withdrawn."""

    reason = forms.CharField(
        label="Why the invitation is withdrawn", max_length=300,
        help_text="For example: sent to a wrong address.",
    )  # fmt: skip


class InvitationDoorForm(forms.Form):
    """An invitation as it is shown at the door: its secret, or the whole address pasted."""

    token = forms.CharField(
        label="Your link", max_length=500, required=False,
        widget=forms.TextInput({"autocomplete": "off", "autocapitalize": "none", "spellcheck": "false"}),
    )  # fmt: skip

    def clean_token(self) -> str:
        """Return what stands after the last "#", without spaces."""
        text: str = self.cleaned_data["token"]
        return "".join(text.rpartition("#")[2].split())


class NewAccountForm(InvitationDoorForm):
    """A password for the account that an invitation makes, and the rules of having one."""

    password1 = forms.CharField(
        label="Choose your password", strip=False,
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
        help_text="At least 15 signs. Several unrelated words are easy to remember and hard to guess.",
    )  # fmt: skip
    password2 = forms.CharField(
        label="The same password again", strip=False,
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
    )  # fmt: skip
    own = forms.BooleanField(
        label="I have read these rules. The name above is mine, and I alone will use this account.",
        error_messages={"required": "Tick this, or do not make the account: tell whoever invited you."},
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["token"].widget = forms.HiddenInput()

    def clean_password2(self) -> str:
        """Refuse two that differ."""
        second: str = self.cleaned_data["password2"]
        if self.cleaned_data.get("password1") not in (None, second):
            raise ValidationError("The two passwords differ. Enter the same one twice.")
        return second
