"""Forms of the rota and of public holidays."""

import binascii
from base64 import b64decode, b64encode
from typing import Any

from django import forms
from django.core import signing
from django.core.exceptions import ValidationError

from scheduling.models import Resource
from scheduling.rules.rota import LONGEST_FILE
from scheduling.selectors.rota import RotaAsked
from studylab.forms import InstantField

SALT = "scheduling.rota_file"
FILE_AGE = 12 * 3600  # seconds for which a preview can be taken over


class ShiftForm(forms.Form):
    """Hours of one resource on one date."""

    resource = forms.ModelChoiceField(label="Who or what", queryset=Resource.objects.none())
    start = InstantField(label="From", future=True)
    end = InstantField(label="Until", future=True)

    def __init__(self, *args: Any, resources: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["resource"].queryset = resources  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Refuse an end that is not after the start, at its field."""
        cleaned: dict[str, Any] = super().clean() or {}
        start, end = cleaned.get("start"), cleaned.get("end")
        if start and end and end <= start:
            self.add_error(
                "end", ValidationError("This is not later than the start.", code="order")
            )
        return cleaned


class RotaFileForm(forms.Form):
    """A rota file, CSV or iCalendar."""

    file = forms.FileField(
        label="File",
        help_text=f"CSV in UTF-8 or iCalendar (.ics), up to {LONGEST_FILE // 1024} kB. Nothing is written "
        "before you have seen what it would change.",
        widget=forms.FileInput({"accept": ".csv,.ics,text/csv,text/calendar"}),
    )
    whose = forms.ModelChoiceField(
        label="Whose calendar",
        queryset=Resource.objects.none(),
        required=False,
        empty_label="each event names its person",
        help_text="For a calendar file of one person.",
    )
    replace = forms.BooleanField(
        label="The file is the whole rota of the people it names, from its first to its last shift: "
        "take away what stands there and is not in it",
        required=False,
    )

    def __init__(self, *args: Any, resources: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["whose"].queryset = resources  # type: ignore[attr-defined]

    def clean_file(self) -> Any:
        """Refuse a file that is too large before it is read."""
        file = self.cleaned_data["file"]
        if file.size > LONGEST_FILE:
            raise ValidationError(
                f"The file is larger than {LONGEST_FILE // 1024} kB. Send fewer weeks at a time."
            )
        return file

    def asked(self, timezone: str) -> RotaAsked:
        """Return the file with what was chosen beside it."""
        data, whose = self.cleaned_data, self.cleaned_data["whose"]
        return RotaAsked(
            data["file"].name, data["file"].read(), data["replace"], timezone, whose.name if whose else ""
        )  # fmt: skip


class RotaTakeForm(forms.Form):
    """A file that was previewed, signed, so that what is taken over is what was seen."""

    sealed = forms.CharField(widget=forms.HiddenInput)

    def clean_sealed(self) -> RotaAsked:
        """Return the file; refuse a changed or old one."""
        try:
            name, data, replace, timezone, whose = signing.loads(
                self.cleaned_data["sealed"], salt=SALT, max_age=FILE_AGE
            )
            return RotaAsked(name, b64decode(data), replace, timezone, whose)
        except (signing.BadSignature, ValueError, binascii.Error) as problem:
            raise ValidationError("The preview is too old. Choose the file again.") from problem


def sealed(asked: RotaAsked) -> str:
    """Return a file as signed text for the form that takes it over."""
    content = [
        asked.file_name,
        b64encode(asked.data).decode(),
        asked.replace,
        asked.timezone,
        asked.whose,
    ]
    return signing.dumps(content, salt=SALT, compress=True)


class HolidayOpenForm(forms.Form):
    """Why the lab is open on a public holiday."""

    reason = forms.CharField(label="Why the lab is open", max_length=300)
