"""Sheets and labels to print. Labels of all arms say the same, but for the kit's number."""

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from studylab.access import Cap, requires
from studylab.allocation.selectors import access_kit, entry_of, kit_of
from studylab.allocation.selectors.dispensary import label_date
from studylab.http import StaffRequest
from studylab.participants.selectors.volunteers import access_participant
from studylab.squares import qr_square
from studylab.studies.selectors import current_protocol


@requires(Cap.DISPENSE)
@require_GET
def kit_label(request: StaffRequest, study: str, number: str) -> HttpResponse:
    """Show the label of one container."""
    one = access_kit(request.study, number)
    plan = current_protocol(request.study).plan
    return render(
        request,
        "allocation/kit_label.html",
        {
            "kit": one,
            "entry": one.entry,
            "plan": plan,
            "until": label_date(request.study),
            "square": qr_square(one.number),
        },
    )


@requires(Cap.DISPENSE)
@require_GET
def kit_sheet(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Show the preparation sheet of a volunteer's number.

    It names the kit without its check character and carries a code of its own: the sheet cannot be scanned
    or read out in the place of the container.
    """
    person = access_participant(request.study, code)
    entry, one = entry_of(person), kit_of(person)
    if entry is None or one is None:
        raise Http404("No kit is prepared for this volunteer.")
    return render(
        request,
        "allocation/kit_sheet.html",
        {
            "person": person,
            "entry": entry,
            "kit": one,
            "kit_begins": one.number[:-1],
            "plan": current_protocol(request.study).plan,
            "square": qr_square(f"sheet {person.code} {entry.number}"),
        },
    )
