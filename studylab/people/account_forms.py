"""Forms of looking after accounts."""

from typing import Any

from django import forms

from studylab.access import Role
from studylab.people.invitation_forms import InvitationForm, NewAccountForm
from studylab.people.second_step_forms import PasswordAgain


class AccountReasonForm(forms.Form):
    """Why something is done to an account."""

    reason = forms.CharField(
        label="Why", max_length=300, help_text="It stands on the trail for good, with your name."
    )


class AdminAddForm(PasswordAgain):
    """Who is to administer accounts."""

    name = forms.CharField(
        label="Full name", max_length=150, required=False,
        help_text="Of somebody who has no account yet. Who has one keeps the name that stands there.",
    )  # fmt: skip
    email = forms.CharField(
        label="E-mail address", max_length=254, widget=forms.EmailInput({"autocomplete": "off"})
    )
    reason = forms.CharField(
        label="Why", max_length=300, help_text="It stands on the trail for good, with your name."
    )
    field_order = ["name", "email", "reason", "password"]


class AdminEndForm(AccountReasonForm, PasswordAgain):
    """Why somebody administers accounts no more."""

    field_order = ["reason", "password"]


class LeadInvitationForm(InvitationForm):
    """Who is to lead a study that has no lead."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["roles"], self.fields["ends_on"]

    def clean(self) -> dict[str, Any]:
        """Add the one role that there is to give."""
        data: dict[str, Any] = super().clean() or self.cleaned_data
        return {**data, "roles": [Role.LEAD]}


class NewPasswordForm(NewAccountForm):
    """A new password behind a link."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["own"]
        self.fields["password1"].label = "Choose a new password"
        self.fields["token"].widget = forms.TextInput(
            {"autocomplete": "off", "autocapitalize": "none", "spellcheck": "false"}
        )
        self.fields[
            "token"
        ].help_text = "Paste the whole link that you were sent, if it is not here."
