"""Adding volunteers: codes, likely duplicates, twins, and nobody twice in a study."""

import threading
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction

from studylab import clock, codes
from studylab.access import Actor
from studylab.audit.models import Event
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import Consent, Participant, Person
from studylab.participants.selectors import contact_details, find_volunteers, likely_matches
from studylab.participants.services import (
    DuplicateDecision,
    DuplicateFound,
    participant_add,
    participant_withdraw,
)
from studylab.people.selectors import actor_for
from studylab.studies.models import Study
from tests.participants.people import ANA, BEN, add, like, run_sql

pytestmark = [pytest.mark.django_db, pytest.mark.database]

DEE = like(BEN, family_name="Moor", given_names="Dee", birth_date=date(2000, 9, 17))
EVE = like(DEE, given_names="Eve", email="eve@mail.example", phone="07700 900300")


@pytest.fixture
def elsewhere(outsider: Any, noon: datetime) -> tuple[Actor, Study]:
    """The coordinator and the study of another team on the same site."""
    other = Study.objects.get(slug="other-study")
    return actor_for(outsider, other), other


def test_added_with_a_code_and_the_agreement(
    ana: Participant, study: Any, noon: datetime, keeper: Actor
) -> None:
    """The code is valid and of the study; the agreement keeps both its times."""
    assert codes.is_valid(ana.code, "participant")
    assert ana.code.startswith(study.code_prefix)
    consent = Consent.objects.get()
    assert (consent.participant, consent.kind, consent.method) == (ana, "questions", "spoken")
    assert (consent.signed_at, consent.recorded_at) == (noon - timedelta(days=2), noon)
    event = Event.objects.get(action="volunteer.added")
    assert (event.participant_code, event.actor_label) == (ana.code, keeper.label)
    assert contact_details(ana.person) == ANA


@pytest.mark.parametrize(
    "details",
    [
        like(ANA, family_name="López", given_names="Ana-María"),
        like(ANA, family_name="Ana-María", given_names="Lopez"),
        like(ANA, birth_date=date(1998, 4, 3)),
        like(ANA, given_names="Ana"),
        like(BEN, email="ANA.Lopez@mail.example"),
        like(BEN, phone="07700900111"),
        like(BEN, given_names="Ana", birth_date=ANA.birth_date),
    ],
    ids=["accents", "order", "swapped", "one name less", "email", "phone", "former surname"],
)
def test_likely_the_same_person(ana: Participant, keeper: Actor, study: Any, details: Any) -> None:
    """Each is stopped with the code and what matched, and nothing of Ana's; then nothing is written."""
    with pytest.raises(DuplicateFound) as found:
        add(keeper, study, like(details, emergency_name="", emergency_phone="", address=""))
    (match,) = found.value.matches
    assert match.code == ana.code
    said = f"{found.value.message} {' '.join(found.value.reasons)}"
    assert ana.code in said
    for word in ("Lopez", "1998", "mail.example", "900111"):
        assert word not in said
    assert Participant.objects.count() == Person.objects.count() == 1


def test_swapped_birth_date_is_named(ana: Participant, study: Any) -> None:
    """The kind of match tells the coordinator what to look at."""
    slip = like(ANA, birth_date=date(1998, 4, 3), email="other@mail.example", phone="")
    (match,) = likely_matches(study, slip)
    assert match.kinds == ("name_birth_swapped",)
    assert "day and month swapped" in match.sentence


def test_somebody_else_meets_nobody(ana: Participant, study: Any) -> None:
    """Ben shares nothing with Ana, and a namesake of another birth date does not either."""
    assert likely_matches(study, BEN) == []
    assert likely_matches(study, like(BEN, family_name="Lopez", given_names="Ana Maria")) == []


def test_twins_are_both_added_after_a_decision(keeper: Actor, study: Any, noon: datetime) -> None:
    """Same family name and day: a person decides, with a reason, and they stay two people."""
    dee = add(keeper, study, DEE)
    with pytest.raises(DuplicateFound) as found:
        add(keeper, study, EVE)
    assert found.value.matches[0].kinds == ("family_birth",)
    with pytest.raises(Refused) as refused:
        add(keeper, study, EVE, decision=DuplicateDecision(reason="  "))
    assert refused.value.field == "decision_reason"
    eve = add(keeper, study, EVE, decision=DuplicateDecision(reason="twins, both were here"))
    assert eve.person != dee.person
    event = Event.objects.get(action="volunteer.duplicate_overruled")
    assert event.reason == "twins, both were here"
    assert event.data == {"matched": [{"who": dee.code, "by": ["family_birth"]}]}


def test_exact_match_in_the_study_is_not_joined(
    ana: Participant, keeper: Actor, study: Any
) -> None:
    """The same person is never added to a study again; a namesake born that day is, with a reason."""
    same = DuplicateDecision(same_as=ana.person.uid)
    with pytest.raises(Refused, match=ana.code):
        add(keeper, study, ANA, decision=same)
    namesake = add(keeper, study, ANA, decision=DuplicateDecision(reason="namesakes, both seen"))
    assert namesake.person != ana.person


def test_nobody_comes_back_after_withdrawing(ana: Participant, keeper: Actor, study: Any) -> None:
    """Somebody who withdrew is found as before."""
    participant_withdraw(participant=ana, reason="moved away", actor=keeper)
    with pytest.raises(DuplicateFound):
        add(keeper, study, ANA)


def test_person_of_another_study_is_known_to_the_site(
    elsewhere: tuple[Actor, Study], keeper: Actor, study: Any
) -> None:
    """Their code and study are not told; joined, one person has two codes and the newest details."""
    there = add(*elsewhere, ANA)
    with pytest.raises(DuplicateFound) as found:
        add(keeper, study, like(ANA, phone="07700 900777"))
    (match,) = found.value.matches
    assert match.code == ""
    said = " ".join(found.value.reasons)
    assert "known to the site" in said
    assert there.code not in said
    here = add(
        keeper,
        study,
        like(ANA, phone="07700 900777"),
        decision=DuplicateDecision(same_as=match.person_uid),
    )
    assert here.person == there.person
    assert here.code != there.code
    assert contact_details(here.person) == like(ANA, phone="07700 900777")
    assert Event.objects.get(action="volunteer.added", participant_code=here.code).data[
        "known_to_site"
    ]


def test_only_a_match_can_be_joined(
    ana: Participant, elsewhere: tuple[Actor, Study], keeper: Actor, study: Any
) -> None:
    """A made-up decision cannot tie new details to somebody who does not match."""
    stranger = add(*elsewhere, BEN)
    with pytest.raises(Refused, match="does not match"):
        add(keeper, study, EVE, decision=DuplicateDecision(same_as=stranger.person.uid))


def test_person_twice_in_a_study_by_sql(ana: Participant) -> None:
    """The database refuses it whatever way the write takes."""
    with pytest.raises(IntegrityError, match="participant_person_once"):
        run_sql(
            "INSERT INTO participants_participant (study_id, person_id, code, serial, status,"
            " status_reason, status_at, heard_from, language, added_at)"
            " SELECT study_id, person_id, 'HB-99999X', 99, status, '', status_at, '', 'en', added_at"
            " FROM participants_participant"
        )


def test_code_stays_by_sql(ana: Participant) -> None:
    """A code is never changed nor handed on."""
    with pytest.raises(IntegrityError, match="keeps code and study"), transaction.atomic():
        Participant.objects.update(code="HB-00002Z")


@pytest.mark.parametrize(
    ("field", "change"),
    [("birth_date", date(1876, 1, 1)), ("birth_date", date(2026, 3, 11)), ("email", "søren@mail.example"),
     ("phone", "123"), ("family_name", "  ")],
)  # fmt: skip
def test_wrong_details_are_refused_at_their_field(
    keeper: Actor, study: Any, noon: datetime, field: str, change: object
) -> None:
    """The service refuses what the form would have refused."""
    with pytest.raises(Refused) as refused:
        add(keeper, study, like(ANA, **{field: change}))
    assert refused.value.field == field
    assert not Person.objects.exists()


def test_agreement_must_be_earlier_and_told(keeper: Actor, study: Any, noon: datetime) -> None:
    """An agreement that is still to come, or on screen by staff, is refused."""
    with pytest.raises(Refused) as refused:
        add(keeper, study, agreed_at=noon + timedelta(minutes=1))
    assert refused.value.field == "agreed_at"
    with pytest.raises(Refused) as refused:
        add(keeper, study, agreed_method="screen")
    assert refused.value.field == "agreed_method"


def test_closed_study_takes_nobody(keeper: Actor, study: Any, noon: datetime) -> None:
    """Said in so many words."""
    Study.objects.filter(pk=study.pk).update(state="closed")
    with pytest.raises(Refused, match="closed"):
        add(keeper, study)


def test_prefix_that_gives_no_code_is_told(keeper: Actor, study: Any, noon: datetime) -> None:
    """A study set up with a letter that codes never have says so, and adds nobody."""
    Study.objects.filter(pk=study.pk).update(code_prefix="SO")
    with pytest.raises(Refused, match="prefix"):
        add(keeper, study)
    assert not Person.objects.exists()


@pytest.mark.parametrize("who", ["clinician", "experimenter", "pharmacist", "lead", "monitor"])
def test_only_the_coordinator_adds(who: str, request: Any, actor_of: Any, study: Any) -> None:
    """Every other role is refused by the service itself."""
    with pytest.raises(NotAllowed):
        add(actor_of(request.getfixturevalue(who)), study)


def test_search_by_code_and_by_name(ana: Participant, keeper: Actor, study: Any) -> None:
    """Names are found whole, in any spelling, and only for whoever may see contact details."""
    ben = add(keeper, study, BEN)

    def found(text: str, by_contact: bool = True) -> set[str]:
        return {p.code for p in find_volunteers(study, text, by_contact=by_contact)}

    for text in (
        "López",
        "ana maría lopez",
        "ANA.LOPEZ@mail.example",
        "0044 7700 900111",
        ana.code.lower(),
    ):
        assert found(text) == {ana.code}, text
    assert found(ben.code.replace("-", " ")) == {ben.code}
    assert found("Lop") == found("") == found("%") == found("_______") == set()
    assert found("Lopez", by_contact=False) == set()
    assert found(ana.code, by_contact=False) == {ana.code}


def test_one_of_two_at_once_is_found_out(transactional_db: Any) -> None:
    """Two coordinators adding Ana at the same moment make one Ana."""
    from tests import cast

    study = cast.make_study()
    user = cast.make_user("Cora Lindqvist")
    from studylab.access import Role

    cast.join(user, study, Role.COORDINATOR)
    outcomes: list[str] = []
    start = threading.Barrier(4)

    def one() -> None:
        start.wait()
        try:
            participant_add(
                study=study, details=ANA, agreed_at=clock.now() - timedelta(hours=1), agreed_method="spoken",
                actor=cast.actor_of(user, study),
            )  # fmt: skip
            outcomes.append("added")
        except DuplicateFound:
            outcomes.append("found")
        finally:
            connection.close()

    threads = [threading.Thread(target=one) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["added", "found", "found", "found"]
    assert Participant.objects.count() == Person.objects.count() == 1
