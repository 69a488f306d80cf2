"""The page of one volunteer, for each role."""

import re
from typing import Any

import pytest
from django.urls import reverse

from screening.models import SignOff
from studylab.access import Role
from studylab.participants.models import Participant
from studylab.participants.services import hold_open, participant_withdraw
from studylab.studies.rules.loader import protocol_hash
from studylab.studies.selectors import current_protocol
from tests import cast
from tests.reports.conftest import client_for, screened
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
SEEING = [role for role in Role if role != Role.PHARMACIST]


@pytest.fixture
def newcomer(lab: None, study: Any, confirmed: Any) -> Participant:
    """Somebody with consent, nothing else."""
    return the_lab.make_participant(study, 1)


@pytest.fixture
def signed(lab: None, study: Any, confirmed: Any, clinician: Any) -> Participant:
    """Somebody signed off as eligible and not booked yet."""
    who = screened(the_lab.make_participant(study, 2))
    the_lab.sign_off(who, clinician)
    return who


def page_of(who: Participant, user: Any) -> str:
    answer = client_for(user).get(reverse("volunteer", args=[who.study.slug, who.code]))
    assert answer.status_code == 200
    page: str = answer.content.decode()
    return page[page.index("<main") : page.index("</main>")]


def big_button(page: str) -> str:
    """Return what the button of the next step says, "" without one."""
    found = re.search(r'btn-big"[^>]*>([^<]+)<', page)
    return found[1] if found else ""


@pytest.mark.parametrize("role", SEEING)
def test_a_newcomer_is_led_to_the_questions_by_who_may_ask_them(
    newcomer: Participant, everybody: dict[Role, Any], role: Role
) -> None:
    page = page_of(newcomer, everybody[role])
    asks = {Role.COORDINATOR, Role.CLINICIAN, Role.EXPERIMENTER}
    assert big_button(page) == ("Have the questionnaire filled in" if role in asks else "")
    assert "Next: Have the questionnaire filled in" in page
    for words in (
        "No answers are on record.",
        "No series was booked yet.",
        "No allocation number yet.",
    ):
        assert words in page


@pytest.mark.parametrize("role", SEEING)
def test_every_link_of_the_page_opens(
    signed: Participant, everybody: dict[Role, Any], role: Role
) -> None:
    client = client_for(everybody[role])
    links = set(re.findall(r'href="(/s/[^"#]*)', page_of(signed, everybody[role])))
    answers = {link: client.get(link).status_code for link in links}
    assert {link: status for link, status in answers.items() if status != 200} == {}


def test_a_pharmacist_does_not_see_volunteers(newcomer: Participant, pharmacist: Any) -> None:
    client = client_for(pharmacist)
    for name, args in (("volunteer", [newcomer.code]), ("people_on_path", []), ("safety", [])):
        assert client.get(reverse(name, args=[newcomer.study.slug, *args])).status_code == 403


def test_the_monitor_can_press_nothing_that_writes(
    signed: Participant, monitor: Any, coordinator: Any
) -> None:
    assert "<form" not in page_of(signed, monitor)
    for word in ("Put on hold", "Record a deviation", "End taking part", "Contact details"):
        assert word not in page_of(signed, monitor)
    assert "End taking part" in page_of(signed, coordinator)


def test_the_reason_of_a_hold_stays_off_the_lists(
    signed: Participant, experimenter: Any, everybody: dict[Role, Any]
) -> None:
    """It may tell a value; lists are read over shoulders."""
    actor = cast.actor_of(experimenter, signed.study)
    hold_open(participant=signed, kind="symptom", reason="Pulse 44.", actor=actor)
    for role in SEEING:
        client = client_for(everybody[role])
        for name in ("home", "people_on_path", "safety"):
            page = client.get(reverse(name, args=[signed.study.slug])).content.decode()
            assert "Pulse 44" not in page, (role, name)


def test_who_is_held_shows_what_was_done_and_no_stage_as_now(
    signed: Participant, experimenter: Any, clinician: Any
) -> None:
    actor = cast.actor_of(experimenter, signed.study)
    hold_open(participant=signed, kind="symptom", reason="Dizzy.", actor=actor)
    page = page_of(signed, clinician)
    assert "Next: Release the hold or stop" in page
    assert 'aria-current="step"' not in page
    assert "Dizzy." in page


def test_after_the_end_nothing_is_next(signed: Participant, coordinator: Any) -> None:
    actor = cast.actor_of(coordinator, signed.study)
    participant_withdraw(participant=signed, reason="Moves away.", actor=actor)
    page = page_of(signed, coordinator)
    assert "Nothing more to do" in page
    assert "Next:" not in page
    assert "Moves away." in page
    assert big_button(page) == ""


def test_the_signature_of_a_void_sign_off_is_struck_out(
    signed: Participant, clinician: Any, coordinator: Any
) -> None:
    assert "signature-void" not in page_of(signed, coordinator)
    again = SignOff.objects.get(participant=signed).assessment
    again.pk = None
    again.save(force_insert=True)
    page = page_of(signed, coordinator)
    assert "signature-void" in page
    assert "void: the content changed since" in page


def test_no_page_of_somebody_unknown(
    newcomer: Participant, coordinator: Any, outsider: Any
) -> None:
    study = newcomer.study.slug
    assert (
        client_for(coordinator).get(reverse("volunteer", args=[study, "HB-99999X"])).status_code
        == 404
    )
    assert (
        client_for(outsider).get(reverse("volunteer", args=[study, newcomer.code])).status_code
        == 404
    )


def test_rules_that_change_void_a_sign_off_but_not_the_past_of_who_has_left(
    signed: Participant, coordinator: Any
) -> None:
    """As `sign_off_state` and the queue see it; a withdrawn volunteer's decision stays what it was."""
    assert "Next: Book the series" in page_of(signed, coordinator)
    newer = current_protocol(signed.study).version
    newer.pk, newer.number = None, 2
    newer.document = newer.document.replace("target = 48", "target = 47")
    newer.sha256 = protocol_hash(newer.document)
    newer.save(force_insert=True)
    page = page_of(signed, coordinator)
    assert "Next: Decide and sign" in page
    assert "signature-void" in page
    actor = cast.actor_of(coordinator, signed.study)
    participant_withdraw(participant=signed, reason="Moves away.", actor=actor)
    assert "signature-void" not in page_of(signed, coordinator)
