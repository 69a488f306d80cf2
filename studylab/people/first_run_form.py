"""The form of the first run."""

from django import forms
from django.core.exceptions import ValidationError


class FirstRunForm(forms.Form):
    """The set-up code and the person who sets the site up."""

    code = forms.CharField(
        label="Set-up code", max_length=60,
        help_text="Printed by “python3 manage.py first_run” at the server. Capitals, spaces and hyphens do not matter.",
        widget=forms.TextInput({"autocomplete": "off", "spellcheck": "false"}),
    )  # fmt: skip
    name = forms.CharField(
        label="Your full name", max_length=150, help_text="As it is printed in signatures.",
        widget=forms.TextInput({"autocomplete": "name"}),
    )  # fmt: skip
    email = forms.EmailField(
        label="Your e-mail address", max_length=254, help_text="You sign in with it."
    )
    password1 = forms.CharField(
        label="Password", strip=False, widget=forms.PasswordInput({"autocomplete": "new-password"}),
        help_text="At least 15 signs. Several unrelated words are easy to remember and hard to guess.",
    )  # fmt: skip
    password2 = forms.CharField(
        label="Password again", strip=False,
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
    )  # fmt: skip

    def clean_password2(self) -> str:
        """Refuse two that differ."""
        second: str = self.cleaned_data["password2"]
        if self.cleaned_data.get("password1") not in (None, second):
            raise ValidationError("The two passwords differ. Enter the same one twice.")
        return second
