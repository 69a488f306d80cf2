"""The file of entries that a tablet could not send."""

from typing import Any

from django import forms

from scheduling.rules.unsent_file import LONGEST, NO_FILE, SealedAct, UnsentFileWrong, read_unsent


class UnsentFileForm(forms.Form):
    """The file, or on the page that shows what is in it its content; `rows` are its entries, sealed."""

    file = forms.FileField(
        label="File that the tablet saved", required=False,
        help_text="Its name begins with “studylab-unsent”.",
        widget=forms.ClearableFileInput({"accept": ".json,application/json"}),
    )  # fmt: skip
    content = forms.CharField(required=False, strip=False, widget=forms.HiddenInput)
    rows: tuple[SealedAct, ...] = ()

    def clean(self) -> dict[str, Any]:
        """Read the entries; what is wrong is said at the field of the file."""
        cleaned: dict[str, Any] = super().clean() or {}
        text = cleaned.get("content") or ""
        file = cleaned.get("file")
        if file is not None:
            if file.size > LONGEST:
                self.add_error("file", f"The file is larger than {LONGEST // 1000} kB. {NO_FILE}")
                return cleaned
            try:
                text = file.read().decode()
            except UnicodeDecodeError:
                self.add_error("file", NO_FILE)
                return cleaned
        if not text:
            if "file" not in self.errors:
                self.add_error("file", "Choose the file.")
            return cleaned
        try:
            self.rows = read_unsent(text)
        except UnsentFileWrong as problem:
            self.add_error("file", str(problem))
        return cleaned | {"content": text}
