"""For clinicians, for teaching: a textbook curve of the level in blood. It is never about a person."""

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from screening.rules.curve_chart import curve_chart
from screening.rules.kinetics import (
    DOSE_MG,
    SETS,
    TYPICAL,
    area,
    hours_until_share,
    level,
    peak_hours,
)
from studylab.access import Cap, requires
from studylab.http import StaffRequest

ROW_HOURS = (0, 0.5, 1, 1.5, 2, 3, 4, 6, 8, 12, 24)


@requires(Cap.TEACHING_VIEW)
@require_GET
def curve(request: StaffRequest, study: str) -> HttpResponse:
    """The curve of one parameter set among the others, with its table."""
    chosen = next((one for one in SETS if one.key == request.GET.get("set")), TYPICAL)
    peak = level(chosen.kinetics, peak_hours(chosen.kinetics))
    rows = [
        (hours, level(chosen.kinetics, hours), 100 * level(chosen.kinetics, hours) / peak)
        for hours in ROW_HOURS
    ]
    sets = [
        (
            one,
            peak_hours(one.kinetics),
            level(one.kinetics, peak_hours(one.kinetics)),
            area(one.kinetics),
            hours_until_share(one.kinetics, 0.05),
        )
        for one in SETS
    ]
    return render(
        request,
        "screening/teaching_curve.html",
        {
            "current_section": "sign_off",
            "drawing": curve_chart(SETS, chosen.key),
            "chosen": chosen,
            "rows": rows,
            "sets": sets,
            "dose": DOSE_MG,
        },
    )
