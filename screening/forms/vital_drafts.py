"""What stands in the form of a set, kept and put back as it was typed."""

from django.forms.utils import ErrorDict
from django.http import QueryDict

from screening.forms.vitals import SetContext, VitalsForm
from screening.models import VitalDraft
from studylab.db import storable

_NOT_TYPED = frozenset({"csrfmiddlewaretoken", "form_key", "next", "draft", "draft_do", "as_it_is"})


def typed(sent: QueryDict) -> dict[str, list[str]]:
    """Return the fields of the form as they were sent."""
    return {
        storable(name): [storable(text) for text in texts]
        for name, texts in sent.lists()
        if name not in _NOT_TYPED
    }


def restored_form(draft: VitalDraft, about: SetContext) -> VitalsForm:
    """Return the form with what was typed in it, nothing judged yet; times of readings stay as they were taken.

    The rest and the newest set are those of now.
    """
    data = QueryDict(mutable=True)
    for name, texts in draft.content.items():
        data.setlist(name, texts)
    data["base"] = about.newest
    data["start"] = str(about.rest.uid) if about.rest else ""
    form = VitalsForm(data, about=about)
    form._errors, form.cleaned_data = ErrorDict(), {}  # type: ignore[attr-defined]
    return form
