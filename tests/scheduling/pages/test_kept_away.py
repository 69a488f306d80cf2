"""Field case F-20: pages about a visit are closed to staff kept away from its volunteer; an emergency's are not."""

from collections.abc import Callable
from uuid import UUID

import pytest
from django.urls import resolve, reverse

from scheduling.urls_sheet import _one_visit
from screening.services.staff import staff_decide
from studylab.access import ROLE_CAPS, Role
from tests.scheduling.pages.conftest import Pages
from tests.scheduling.sheet.builder import Case
from tests.scheduling.sheet.values import SEEN

pytestmark = [pytest.mark.django_db, pytest.mark.database]
OPEN = {"emergency", "symptom", "leave_check", "leave_against_advice", "step_act"}
MORE = {"step": "identity", "order": "none"}


@pytest.fixture
def away(first: Case) -> Case:
    first.act(
        staff_decide, "lead", participant=first.participant, user=first.users["second"],
        kept_away=True, reason="A cousin.",
    )  # fmt: skip
    return first


def address(case: Case, pattern: object, uid: UUID) -> str:
    names = list(pattern.pattern.converters)  # type: ignore[attr-defined]
    more = {name: MORE[name] for name in names}
    return reverse(pattern.name, kwargs={"study": case.study.slug, "uid": uid, **more})  # type: ignore[attr-defined]


def test_f20_every_page_of_a_visit_is_closed_but_what_an_emergency_needs(
    away: Case, pages_of: Callable[[Case], Pages]
) -> None:
    pages, uid = pages_of(away), away.visit(1).uid
    asked = 0
    for pattern in _one_visit:
        url = address(away, pattern, uid)
        if resolve(url).func.required_capability not in ROLE_CAPS[Role.EXPERIMENTER]:
            continue
        asked += 1
        refused, let_in = pages.get(url, "second"), pages.get(url)
        if pattern.name in OPEN:
            assert refused.status_code == let_in.status_code != 403, pattern.name
        else:
            assert refused.status_code == 403, pattern.name
            assert "Somebody else works with this volunteer" in refused.content.decode()
            assert let_in.status_code != 403, pattern.name
        sent = pages.post(url, {}, "second").status_code
        assert (sent == 403) == (pattern.name not in OPEN), pattern.name
    assert asked >= 20


def test_f20_a_kept_act_is_refused_in_words_and_tells_nothing_of_the_record(
    away: Case, pages_of: Callable[[Case], Pages]
) -> None:
    pages = pages_of(away)
    away.step(1, "identity", SEEN)
    url = pages.visit_url("step_act", 1, "identity")
    answer = pages.post(url, {"act": "record"}, "second")
    assert answer.status_code == 422
    assert answer.json()["said"].startswith("Somebody else works with this volunteer")
    assert answer.json()["on_record"] is None


def test_f20_letting_somebody_back_opens_the_pages_again(
    away: Case, pages_of: Callable[[Case], Pages]
) -> None:
    pages = pages_of(away)
    assert pages.get(pages.visit_url("visit", 1), "second").status_code == 403
    away.act(
        staff_decide, "lead", participant=away.participant, user=away.users["second"],
        kept_away=False, reason="It was another family.",
    )  # fmt: skip
    assert pages.get(pages.visit_url("visit", 1), "second").status_code == 200
