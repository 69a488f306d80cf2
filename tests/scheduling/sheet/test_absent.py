"""Somebody who was dosed does not come to the next visit: red at once, looked for first, never "completed"."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.selectors.absent import absent_now
from scheduling.services.change import series_cancel
from scheduling.services.missing import visit_missed
from scheduling.services.talks import absent_talk
from studylab.errors import Refused
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def test_dosed_and_not_here(rested: Case) -> None:
    case = rested
    case.leave()
    case.finish(2)
    three = case.visit(3)
    planned = three.planned.lower
    assert absent_now(case.study, planned - timedelta(seconds=1)) == []
    for hours in (20, 21, 22):
        case.contact(hours, reached=False, symptoms=None, answers={})
    case.t = planned
    (found,) = absent_now(case.study, case.t)
    assert (found.pk, found.looked_for) == (three.pk, False)
    with case.now():
        client = Client()
        client.force_login(case.users["experimenter"])
        assert "dosed, not here" in client.get(reverse("today", args=[case.study.slug])).content.decode()  # fmt: skip
        html = client.get(reverse("visit_absent", args=[case.study.slug, three.uid])).content.decode()  # fmt: skip
        assert "look for them now" in html
    for service, given in ((visit_missed, {"visit": three}), (series_cancel, {"series": three.series})):  # fmt: skip
        with pytest.raises(Refused, match="Try to reach them first"):
            case.act(service, "coordinator", reason="Did not come", **given)
    case.forward(5)
    case.act(absent_talk, "experimenter", visit=three, reached=False, note="Own number")
    (found,) = absent_now(case.study, case.t)
    assert found.looked_for is True
    case.act(visit_missed, "experimenter", visit=three, reason="Did not come, not reached.")
    case.participant.refresh_from_db()
    assert case.participant.status == "active"
    three.series.refresh_from_db()
    assert (
        three.series.state == "open"
    )  # shifted by the study's rule, and never completed by silence
