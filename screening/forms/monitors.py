"""What a pressure device's clock shows, and taking a device out of use."""

from django import forms

from screening.forms.reading_rows import time_field


class MonitorClockForm(forms.Form):
    """The device and the time on its display."""

    name = forms.CharField(
        label="Device", max_length=60, help_text="Name or serial number, as it stands on the device.",
        widget=forms.TextInput({"list": "monitors", "autocomplete": "off"}),
    )  # fmt: skip
    shown = time_field("Time that it shows now")

    def __init__(self, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.fields["shown"].required = True
        self.fields["shown"].error_messages["required"] = "Enter the time that the device shows."
        self.fields["shown"].help_text = (
            "Local time, 24 hours. Where it shows no seconds, wait until the minute changes. Then press at once: "
            "the server’s time is that of the press."
        )
        self.order_fields(["name", "shown"])


class MonitorRetireForm(forms.Form):
    """Why a device is no longer used."""

    reason = forms.CharField(label="Why is it no longer used?", max_length=300)
