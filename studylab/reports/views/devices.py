"""What was on a tablet, for printing."""

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.people.selectors.devices import access_device, device_people
from studylab.reports.selectors.devices import held_by


@requires(Cap.DEVICE_MANAGE)
@require_GET
def device_held(request: StaffRequest, study: str, device: UUID) -> HttpResponse:
    """Show whose records were opened on a device, by code and field, as at its loss or now."""
    found = access_device(request.study, device)
    held = held_by(found, request.study)
    context = {
        "device": found,
        "held": held,
        "signed_in": [
            one for one in device_people(found)
            if one.began_at <= held.at and (one.ended_at is None or one.ended_at > held.at)
        ],
        "now": clock.now(),
    }  # fmt: skip
    return render(request, "reports/device_held.html", context)
