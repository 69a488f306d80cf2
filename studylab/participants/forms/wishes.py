"""Forms that ask what may happen after somebody left."""

from typing import Any

from django import forms

from studylab.forms import InstantField
from studylab.participants.forms.path import EndForm
from studylab.participants.models import LeavingWish, Participant
from studylab.participants.services.wishes import Wishes

NOT_ASKED = "not_asked"
# What volunteers say on their own page they say themselves: nobody records it for them.
_HOW = [one for one in LeavingWish.How.choices if one[0] != LeavingWish.How.OWN_PAGE]
_ANSWERS = ("safety_contact", "use", "contact_again")


def _radio(label: str, choices: Any, help_text: str = "", **more: Any) -> forms.ChoiceField:
    return forms.ChoiceField(
        label=label, choices=choices, widget=forms.RadioSelect, help_text=help_text, **more
    )


class WishFields(forms.Form):
    """The three questions, how they were answered and when. `said` returns them for the service."""

    how = _radio("How the volunteer said what may happen", _HOW)
    said_at = InstantField(label="When the volunteer said it")
    safety_contact = _radio(
        "May the study still ask how they are, for their safety?", LeavingWish.Answer.choices,
        "Calls after a dose and the course of an adverse event. With “no” they leave the lists of calls; tell the physician, "
        "and tell the volunteer whom to call.",
    )  # fmt: skip
    use = _radio(
        "What may happen with the data collected so far?", LeavingWish.Use.choices,
        "The record itself stays where law asks for it. “Not to be used further” is shown beside the data, in every export, "
        "and keeps them out of pooled values.",
    )  # fmt: skip
    contact_again = _radio(
        "May the lab contact them again, for example about another study?",
        LeavingWish.Answer.choices, "Without an answer: no.",
    )  # fmt: skip

    def said(self) -> Wishes | None:
        """Return what was said, None when nobody asked."""
        kept = self.cleaned_data
        if kept.get("how") in (None, "", NOT_ASKED):
            return None
        return Wishes(how=kept["how"], said_at=kept["said_at"], **{name: kept[name] for name in _ANSWERS})  # fmt: skip


class WishForm(WishFields):
    """An entry made after leaving; a further one says why."""

    reason = forms.CharField(
        label="Why there is a further entry", max_length=300, widget=forms.Textarea({"rows": 2}),
        help_text="The earlier entry stays on record beside it.",
    )  # fmt: skip

    def __init__(self, *args: Any, further: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not further:
            del self.fields["reason"]


class LeavingForm(EndForm, WishFields):
    """The end of taking part together with what may happen then: asked of whoever withdraws, welcome from others."""

    field_order = ["status", "reason", "how", "said_at", *_ANSWERS]

    def __init__(self, *args: Any, status: str = "", **kwargs: Any) -> None:
        super().__init__(*args, status=status, **kwargs)
        self.given_status = status
        self.fields["how"].choices = [  # type: ignore[attr-defined]
            *_HOW, (NOT_ASKED, "Not asked yet: it stays on the front page until somebody asks"),
        ]  # fmt: skip
        self.fields["how"].help_text = "Needed for a withdrawal; the questions below then need an answer each."  # fmt: skip
        for name in ("how", "said_at", *_ANSWERS):
            self.fields[name].required = False

    def clean(self) -> dict[str, Any]:
        """Ask for every answer once anything was said, and for a word on asking when somebody withdraws."""
        cleaned: dict[str, Any] = super().clean() or {}
        status = self.given_status or cleaned.get("status")
        how = cleaned.get("how")
        missing = [name for name in ("said_at", *_ANSWERS) if not cleaned.get(name)]
        given = len(missing) <= len(_ANSWERS)
        if how not in ("", None, NOT_ASKED):
            for name in missing:
                if name not in self.errors:
                    self.add_error(name, "Answer this as well, or choose “Not asked yet” above.")
        elif given:
            self.add_error("how", "Say how the volunteer said what is answered below.")
        elif not how and status == Participant.Status.WITHDRAWN and "how" not in self.errors:
            self.add_error("how", "Say how they told it, or that nobody asked yet.")
        return cleaned
