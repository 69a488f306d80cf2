"""What a pressure device's clock shows, and taking a device out of use."""

from collections.abc import Callable
from datetime import time
from typing import Any

from django import forms

from screening.forms.reading_rows import time_field


class MonitorClockForm(forms.Form):
    """The device and the time on its display. `doubt` says what is unlikely about it, which is asked about once."""

    name = forms.CharField(
        label="Device", max_length=60, help_text="Name or serial number, as it stands on the device.",
        widget=forms.TextInput({"list": "monitors", "autocomplete": "off"}),
    )  # fmt: skip
    shown = time_field("Time that it shows now")
    sure = forms.BooleanField(
        label="I looked again: it shows this", required=False, widget=forms.HiddenInput
    )

    def __init__(self, *args: Any, doubt: Callable[[str, time], str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._doubt = doubt
        self.fields["shown"].required = True
        self.fields["shown"].error_messages["required"] = "Enter the time that the device shows."
        self.fields["shown"].help_text = (
            "Local time, 24 hours. Where it shows no seconds, wait until the minute changes. Then press at once: "
            "the server’s time is that of the press."
        )
        self.order_fields(["name", "shown", "sure"])

    def clean(self) -> dict[str, Any]:
        """Ask once more about a time that is unlikely."""
        data = super().clean() or {}
        sure = data.pop("sure", False)
        known = {"name", "shown"} <= data.keys() and not sure
        if known and (words := self._doubt(data["name"], data["shown"])):
            self.fields["sure"].widget = forms.CheckboxInput()
            self.add_error(
                "shown", f"{words} Look again, enter what it shows now, and tick the box below."
            )
        return data


class MonitorRetireForm(forms.Form):
    """Why a device is no longer used."""

    reason = forms.CharField(label="Why is it no longer used?", max_length=300)
