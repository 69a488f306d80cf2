"""Forms of second steps. The password again stands in each: whoever finds an open page adds and removes nothing."""

from typing import Any

from allauth.mfa.webauthn.internal import auth as webauthn
from django import forms
from django.core.exceptions import ValidationError

from studylab.access import ROLE_NAMES
from studylab.people.rules.second_step import CHOOSABLE

NOT_FROM_BROWSER = (
    "Your browser gave nothing that fits. Press the button again, and follow what it asks."
)


class PasswordAgain(forms.Form):
    """The present password, before something delicate."""

    password = forms.CharField(
        label="Your password", strip=False,
        widget=forms.PasswordInput({"autocomplete": "current-password"}),
    )  # fmt: skip


class TotpForm(PasswordAgain):
    """The code that the app shows now, and the password."""

    code = forms.CharField(
        label="Code that the app shows now", max_length=10,
        widget=forms.TextInput({"autocomplete": "one-time-code", "inputmode": "numeric"}),
    )  # fmt: skip
    field_order = ("code", "password")


class PasskeyForm(PasswordAgain):
    """A name for the passkey, the password, and what the browser made."""

    name = forms.CharField(
        label="Name of the passkey", max_length=60,
        help_text="Where it is kept, for example “My phone” or “Key in the safe”.",
    )  # fmt: skip
    credential = forms.JSONField(widget=forms.HiddenInput, error_messages={"required": NOT_FROM_BROWSER, "invalid": NOT_FROM_BROWSER})  # fmt: skip
    field_order = ("name", "password")

    def clean_credential(self) -> dict[str, Any]:
        """Check what the browser made against the challenge that this page gave it."""
        credential = self.cleaned_data["credential"]
        try:
            webauthn.parse_registration_response(credential)
            webauthn.complete_registration(credential)
        except ValidationError:
            raise ValidationError(NOT_FROM_BROWSER) from None
        except (TypeError, ValueError, KeyError, AttributeError):  # nonsense, sent past our page
            raise ValidationError(NOT_FROM_BROWSER) from None
        made: dict[str, Any] = credential
        return made


class RolesForm(forms.Form):
    """Which roles need a second step by the study's choice."""

    roles = forms.MultipleChoiceField(
        label="Also these roles", required=False, widget=forms.CheckboxSelectMultiple,
        choices=[(role.value, ROLE_NAMES[role]) for role in CHOOSABLE],
        help_text="Whoever has none yet is led to add one before the next page opens.",
    )  # fmt: skip


class ResetForm(PasswordAgain):
    """Whose second steps are taken away, and why; the password is that of the account administrator."""

    email = forms.EmailField(label="Their e-mail address", max_length=254)
    reason = forms.CharField(label="What was lost", max_length=300)
    checked = forms.CharField(
        label="How you made sure who is asking", max_length=300,
        help_text="For example: in person with the staff card; called back on the number in the staff list.",
    )  # fmt: skip
    field_order = ("email", "reason", "checked", "password")
