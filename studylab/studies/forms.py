"""Forms of the set-up pages. They parse and coerce; services decide."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile

from studylab.people.forms import DayField
from studylab.studies.models import Study
from studylab.studies.rules.loader import LONGEST_DOCUMENT
from studylab.studies.services import moves_from


class ProtocolForm(forms.Form):
    """A protocol document, pasted or as a file, with its note and approval."""

    document = forms.CharField(
        label="Protocol document",
        required=False,
        strip=False,
        widget=forms.Textarea({"rows": 24, "spellcheck": "false", "class": "document"}),
        help_text="The whole text (TOML). What is wrong is listed with the key and the fix.",
    )
    file = forms.FileField(
        label="Or a file", required=False, help_text="Takes the place of the text above."
    )
    note = forms.CharField(
        label="What is new in this version",
        max_length=300,
        help_text="Shown in the list of versions.",
    )
    approval_reference = forms.CharField(
        label="Reference of the ethics approval", max_length=100, required=False
    )
    approval_on = DayField(label="Approved on", required=False)

    def clean(self) -> dict[str, Any]:
        """Put the file's text, or the pasted one, into `document`, with plain line ends."""
        data: dict[str, Any] = super().clean() or self.cleaned_data
        file = data.get("file")
        text = self._text_of(file) if file else data.get("document") or ""
        text = text.replace("\r\n", "\n").replace("\r", "\n")
        if file and text:  # shown again beside its errors, since a file field cannot be
            typed = dict(self.data.items())
            typed["document"] = text
            self.data = typed
        if not text.strip() and not self.errors:
            self.add_error("document", "Paste the document or choose its file.")
        data["document"] = text
        return data

    def _text_of(self, file: UploadedFile) -> str:
        if file.size is None or file.size > 4 * LONGEST_DOCUMENT:
            raise ValidationError({"file": "This file is too large for a protocol document."})
        try:
            return file.read().decode("utf-8-sig")
        except UnicodeDecodeError:
            raise ValidationError(
                {"file": "This file is not text in UTF-8. Save it as UTF-8."}
            ) from None


class StateForm(forms.Form):
    """Another state of the study."""

    state = forms.ChoiceField(label="The study becomes", widget=forms.RadioSelect)
    reason = forms.CharField(
        label="Reason", max_length=300, required=False, help_text="Needed for pausing and closing."
    )

    def __init__(self, *args: Any, study: Study, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["state"].choices = moves_from(study.state)  # type: ignore[attr-defined]
