"""Fetching the kit that an address names. Missing and belonging to another study look the same."""

from django.http import Http404

from studylab.allocation.models import Kit
from studylab.codes import normalise
from studylab.studies.models import Study

_NOT_HERE = "There is no such page, or you have no part in it."


def access_kit(study: Study, number: str) -> Kit:
    """Return the study's kit with this number; Http404 otherwise."""
    kits = Kit.objects.select_related("batch", "study", "entry__participant")
    found = kits.filter(study=study, number=normalise(number)).first()
    if found is None:
        raise Http404(_NOT_HERE)
    return found
