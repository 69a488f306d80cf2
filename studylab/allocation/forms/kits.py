"""Forms of the dispensary."""

from collections.abc import Iterable
from typing import Any

from django import forms

from studylab.allocation.rules.kit_states import CHANGES
from studylab.allocation.services.stock import MOST_KITS
from studylab.forms import PossibleDayField
from studylab.studies.rules.protocol import Arm, Supply

NO_ARM = "Readable to others: no word here may tell what the kits hold."


class ReceiveForm(forms.Form):
    """Kits of one kind coming in."""

    arm_key = forms.ChoiceField(label="What these kits hold", widget=forms.RadioSelect)
    label = forms.CharField(label="Batch number", max_length=40, help_text=NO_ARM)
    usable_until = PossibleDayField(
        label="Usable until, this day included",
        widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"),
    )
    storage = forms.CharField(label="Storage", max_length=120, help_text=NO_ARM)
    form = forms.ChoiceField(label="What is in a container", widget=forms.RadioSelect)
    units_per_kit = forms.IntegerField(label="Units in one kit", min_value=1, max_value=1000)
    strength_mg = forms.DecimalField(
        label="Strength of one unit",
        min_value=0,
        max_digits=6,
        decimal_places=2,
        help_text="In mg. For look-alike kits the strength they stand for.",
    )
    quantity = forms.IntegerField(label="Number of kits", min_value=1, max_value=MOST_KITS)

    def __init__(self, *args: Any, arms: Iterable[Arm], supply: Supply, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["arm_key"].choices = [(arm.key, arm.name) for arm in arms]  # type: ignore[attr-defined]
        self.fields["form"].choices = [  # type: ignore[attr-defined]
            (" ".join(supply.form.split()), f"{supply.form.strip()}, as the protocol says"),
            (
                "another",
                "anything else: whole or halved tablets, powder, a liquid, another capsule",
            ),
        ]
        self.fields["storage"].initial = supply.storage
        self.fields["units_per_kit"].help_text = f"The protocol's dose is {supply.count}."
        self.fields["strength_mg"].help_text = (
            f"In mg; the protocol's is {supply.strength_mg:g}. For look-alike kits the strength they "
            "stand for."
        )


class ReasonForm(forms.Form):
    """Why a kit is put aside, released, taken back or destroyed."""

    reason = forms.CharField(label="Reason", max_length=300, help_text=NO_ARM)

    def __init__(self, *args: Any, what: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"].label = f"Why the kit is {CHANGES[what].words}"


class ContainersForm(forms.Form):
    """How many containers to prepare ahead."""

    count = forms.IntegerField(label="Number of containers", min_value=1, max_value=50, initial=10)


class SecondFields(forms.Form):
    """The second person of a check, with their own password."""

    second_email = forms.EmailField(
        label="Second person's e-mail address",
        widget=forms.EmailInput({"autocomplete": "off"}),
    )
    second_password = forms.CharField(
        label="Second person's password",
        strip=False,
        help_text="Entering it is their signature.",
        widget=forms.PasswordInput({"autocomplete": "off"}),
    )


class DispenseForm(forms.Form):
    """The kit read from its container, and the second person's check."""

    kit_number = forms.CharField(
        label="Kit number on the container",
        max_length=40,
        help_text="Scan the code on the container, or type the number with its last character.",
        widget=forms.TextInput({"autocomplete": "off", "autocapitalize": "characters"}),
    )
    visit_uid = forms.UUIDField(required=False, widget=forms.HiddenInput)
    second_email = forms.EmailField(
        label="Second person's e-mail address",
        help_text="Somebody else of the study reads container and label and compares them.",
        widget=forms.EmailInput({"autocomplete": "off"}),
    )
    second_password = forms.CharField(
        label="Second person's password",
        strip=False,
        help_text="Entering it is their signature that the right kit was handed out.",
        widget=forms.PasswordInput({"autocomplete": "off"}),
    )
