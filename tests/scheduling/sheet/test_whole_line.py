"""The whole line of one volunteer, from the first visit to completion."""

import pytest

from scheduling.models import StepRecord, Visit
from studylab.participants.models import Deviation
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def test_from_the_first_visit_to_completion_without_a_deviation() -> None:
    case = Case().ready()
    case.give()
    case.after_dose()
    case.leave()
    case.finish(2)
    case.contact(22)
    case.visit_three()
    case.participant.refresh_from_db()
    case.series.refresh_from_db()
    assert (case.participant.status, case.series.state) == ("completed", "done")
    states = Visit.objects.filter(series=case.series).values_list("state", flat=True)
    assert list(states) == ["done"] * 3
    assert not Deviation.objects.exists()
    assert not StepRecord.objects.filter(skipped=True).exists()
