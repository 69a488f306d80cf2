"""Forms of drafts. They parse and coerce; services decide."""

from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile
from django.core.validators import RegexValidator

from studylab.people.forms import DayField
from studylab.studies.rules.form_values import HOURS
from studylab.studies.rules.loader import LONGEST_DOCUMENT

_SLUG = RegexValidator(
    r"^[a-z0-9]+(-[a-z0-9]+)*\Z",
    "A short name has small letters and digits, with single hyphens between them.",
)
_PREFIX = RegexValidator("^[A-Z]{1,3}$", "A code begins with one to three capital letters.")
_HOUR_WORDS = {
    "earliest_hours": "not earlier",
    "target_hours": "aimed at",
    "latest_hours": "not later",
}  # as the page of a version says it
_POINTS = {"start": "the start", "end": "the end", "dose": "the dose"}


def text_of(file: UploadedFile) -> str:
    """Return the text of an uploaded document with plain line ends."""
    if file.size is None or file.size > 4 * LONGEST_DOCUMENT:
        raise ValidationError("This file is too large for a protocol document.")
    try:
        text = file.read().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ValidationError("This file is not text in UTF-8. Save it as UTF-8.") from None
    return text.replace("\r\n", "\n").replace("\r", "\n")


class NameForm(forms.Form):
    """What a new study is called in addresses and codes, and in which languages volunteers read."""

    slug = forms.CharField(
        label="Short name in addresses",
        max_length=40,
        validators=[_SLUG],
        help_text="Small letters, digits and hyphens, such as “quiet-harbour”. It cannot be changed later.",
    )
    code_prefix = forms.CharField(
        label="Volunteers' codes begin with",
        max_length=3,
        validators=[_PREFIX],
        help_text="One to three capital letters. It cannot be changed later.",
    )
    languages = forms.MultipleChoiceField(
        label="Languages of volunteers' pages",
        choices=settings.LANGUAGES,
        widget=forms.CheckboxSelectMultiple,
        initial=["en"],
        help_text="A language is offered once every text that volunteers read is there in it.",
    )

    def clean_slug(self) -> str:
        """Refuse capitals, which addresses would not tell apart."""
        slug: str = self.cleaned_data["slug"]
        if slug != slug.lower() or "_" in slug:
            raise ValidationError("Use small letters, digits and hyphens.")
        return slug

    def clean_languages(self) -> list[str]:
        """English is the language in which everything is there."""
        chosen: list[str] = self.cleaned_data["languages"]
        if "en" not in chosen:
            raise ValidationError(
                "Keep English: it stands in wherever another language is not complete."
            )
        return chosen


class StudyBeginForm(NameForm):
    """A new study: from a document that ships, or from a file."""

    begin = forms.ChoiceField(
        label="Begin from",
        choices=[
            ("demo", "The slide-story memory study that ships (explained line by line)"),
            ("conditioning", "The template for aversive conditioning that ships"),
            ("file", "A document of your own, chosen below"),
        ],
        widget=forms.RadioSelect,
        initial="demo",
    )
    file = forms.FileField(label="Your document", required=False, help_text="Text in TOML, UTF-8.")
    field_order = ["begin", "file", "slug", "code_prefix", "languages"]

    def clean(self) -> dict[str, Any]:
        """Ask for the file when it is the beginning."""
        data: dict[str, Any] = super().clean() or self.cleaned_data
        file = data.get("file")
        if data.get("begin") == "file" and not file and "file" not in self.errors:
            self.add_error(
                "file", "Choose the file of your document, or begin from one that ships."
            )
        elif file:
            try:
                data["text"] = text_of(file)
            except ValidationError as problem:
                self.add_error("file", problem)
        return data


class VersionForm(forms.Form):
    """What is said of a new version."""

    note = forms.CharField(
        label="What is new in this version",
        max_length=300,
        help_text="Shown in the list of versions.",
    )
    approval_reference = forms.CharField(
        label="Reference of the ethics approval", max_length=100, required=False
    )
    approval_on = DayField(label="Approved on", required=False)


class ValuesForm(forms.Form):
    """The values that every study has of its own; written back into the text."""

    title = forms.CharField(label="Full title", max_length=300)
    short_title = forms.CharField(label="Title on pages", max_length=60)
    timezone = forms.ChoiceField(
        label="Time zone", help_text="Every time on screen is shown in it."
    )
    country = forms.CharField(
        label="Country of the holidays",
        max_length=2,
        help_text="Two capital letters, “CA” (ISO 3166-1).",
    )
    subdivision = forms.CharField(
        label="Part of the country", max_length=10, required=False,
        help_text="“NS” (ISO 3166-2), or empty where holidays are the same everywhere.",
    )  # fmt: skip
    currency = forms.CharField(
        label="Currency of payments", max_length=3, help_text="“CAD” (ISO 4217)."
    )
    emergency_number = forms.CharField(
        label="Emergency number", max_length=40, help_text="As dialled from the laboratory."
    )
    phone_24h = forms.CharField(
        label="24-hour phone of the study", max_length=40, help_text="Answered day and night."
    )
    where = forms.CharField(
        label="Where volunteers come to", max_length=500,
        help_text="Name, street, floor and whom to ask for. Its French stands beside it in the text.",
    )  # fmt: skip
    target = forms.IntegerField(
        label="People who finish all visits", min_value=1, max_value=100_000
    )

    def __init__(
        self, *args: Any, known: dict[str, Any], spacings: list[tuple[int, str, str]], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        zones = sorted(available_timezones())
        self.fields["timezone"].choices = [(zone, zone) for zone in zones]  # type: ignore[attr-defined]
        self._paths = {name: name for name in self.fields} | {"where": "volunteer.where"}
        for number, start, end in spacings:
            for name in HOURS:
                path, field = f"spacings[{number}].{name}", f"spacing_{number}_{name}"
                self._paths[field] = path
                self.fields[field] = forms.FloatField(
                    label=f"Hours from {_anchor(start)} to {_anchor(end)}, {_HOUR_WORDS[name]}",
                    min_value=0, max_value=10_000,
                )  # fmt: skip
        for field, path in self._paths.items():
            self.fields[field].initial = known.get(path, "")

    def wanted(self) -> dict[str, Any]:
        """Return the values by their path in the document; hours without a fraction as whole numbers."""
        found = {}
        for field, path in self._paths.items():
            value = self.cleaned_data[field]
            if isinstance(value, float) and value.is_integer():
                value = int(value)
            found[path] = value
        return found


def _anchor(anchor: str) -> str:
    key, _, point = anchor.partition(".")
    return f"{_POINTS.get(point, point)} of {key}"
