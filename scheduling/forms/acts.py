"""What a tablet tells of each act: its own id and its own time, and more where it had no network."""

from datetime import datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

from django import forms
from django.core.exceptions import ValidationError
from django.utils.dateparse import parse_datetime

from scheduling.rules.tablet_time import TabletTime, tablet_time

STALE = "The form is damaged. Load the page again and enter it anew; nothing was recorded."


class DeviceTimeField(forms.CharField):
    """The tablet's own time when the form was sent. It is kept beside the server's and never decides."""

    def __init__(self) -> None:
        super().__init__(
            required=False, widget=forms.HiddenInput({"data-device-at": "", "autocomplete": "off"})
        )

    def clean(self, value: Any) -> datetime | None:
        """Return the instant, None for anything that is none: a wrong tablet clock stops nobody."""
        try:
            at = parse_datetime(super().clean(value))
        except (ValueError, ValidationError):
            return None
        return at if at is not None and at.utcoffset() is not None else None


class KeptActForm(forms.Form):
    """What a tablet tells about an act that it kept until it had network: whose it is, and its own clocks.

    `compared_ms` is the server's clock minus the tablet's in milliseconds, at the last comparison before the act.
    """

    act = forms.ChoiceField(choices=[(one, one) for one in ("record", "skip", "correct")])
    person = forms.IntegerField(min_value=1)
    device_at = DeviceTimeField()
    sent_at = DeviceTimeField()
    compared_ms = forms.IntegerField(
        required=False, min_value=-(10**12), max_value=10**12
    )  # 31 years

    def clean(self) -> dict[str, Any]:
        """Refuse an act without both times of the tablet, or with ones that no clock shows."""
        cleaned: dict[str, Any] = super().clean() or {}
        for name in ("device_at", "sent_at"):
            at = cleaned.get(name)
            if at is None or not 2000 <= at.year < 2100:
                self.add_error(name, STALE)
        return cleaned

    def time(self, *, received_at: datetime, not_before: datetime) -> TabletTime:
        """Return when the act happened by the server's clock."""
        cleaned = self.cleaned_data
        compared = cleaned["compared_ms"]
        return tablet_time(
            device_at=cleaned["device_at"], sent_at=cleaned["sent_at"], received_at=received_at,
            compared=None if compared is None else timedelta(milliseconds=compared),
            not_before=not_before,
        )  # fmt: skip


class ActForm(forms.Form):
    """One act of a tablet: its own id, so that it is written once, and its own time."""

    client_id = forms.UUIDField(
        widget=forms.HiddenInput, error_messages={"required": STALE, "invalid": STALE}
    )
    device_at = DeviceTimeField()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["client_id"].initial = uuid4

    @property
    def client_id_value(self) -> UUID:
        """The tablet's id of this act."""
        found: UUID = self.cleaned_data["client_id"]
        return found
