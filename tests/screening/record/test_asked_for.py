"""A physician who needs more: what and from whom, whose task it becomes, and coming back to the queue."""

from datetime import timedelta

import pytest
from django.db import IntegrityError
from django.urls import reverse

from screening.models import SignOff
from screening.selectors import sign_off_queue, sign_off_state
from screening.selectors.lapsing import lapsing
from screening.selectors.requests import asked_for, open_requests
from screening.services.requests import request_answer
from studylab import clock
from studylab.errors import Conflict, NotAllowed, Refused
from tests.cast import PASSWORD
from tests.screening.record import people

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ECG = {"what": "ECG of the last two years", "who": "volunteer"}
AGAIN = {"what": "Measure again on another day", "who": "experimenter"}


def ask(participant, milo, *requests):
    return people.sign(
        participant, milo, decision="needs_more", reason="Slow pulse.", requests=requests
    )


def in_queue(study):
    return [(item.participant, item.waiting) for item in sign_off_queue(study)]


def test_each_part_is_a_task_and_all_of_it_brings_the_person_back(
    study, waiting, milo, edda, cora, client_of, experimenter, coordinator
):
    signed = ask(waiting, milo, ECG, AGAIN)
    assert signed.signature.content["requests"] == [ECG, AGAIN]
    assert in_queue(study) == []
    home = reverse("home", args=[study.slug])
    hers, theirs = (
        client_of(user).get(home).content.decode() for user in (experimenter, coordinator)
    )
    assert AGAIN["what"] in hers
    assert ECG["what"] not in hers
    assert ECG["what"] in theirs
    assert "from the volunteer" in theirs
    assert AGAIN["what"] not in theirs
    request_answer(sign_off=signed, index=1, note="Measured, see the new set.", actor=edda)
    assert [one.what for one in open_requests(study)] == [ECG["what"]]
    assert in_queue(study) == []
    page = reverse("assessment_bring", args=[study.slug, waiting.code, signed.signature.uid, 0])
    client = client_of(coordinator)
    assert client.post(page, {"note": " "}).status_code == 422
    assert client.post(page, {"note": "Letter of the family doctor, 2025."}).url == home
    assert in_queue(study) == [(waiting, "brought")]
    assert sign_off_state(waiting, clock.now()).kind == "needs_more"
    with pytest.raises(Conflict, match="answered this already"):
        request_answer(sign_off=signed, index=0, note="Twice.", actor=cora)
    people.sign(waiting, milo)
    assert asked_for(study) == {}
    assert client.get(page).status_code == 404


def test_the_reason_alone_asks_the_coordinator(study, waiting, milo):
    people.sign(waiting, milo, decision="needs_more", reason="Weigh again.")
    (one,) = open_requests(study)
    assert (one.what, one.who) == ("Weigh again.", "coordinator")


@pytest.mark.parametrize(
    ("decision", "requests", "said"),
    [
        ("eligible", [ECG], "goes with the decision"),
        ("needs_more", [{"what": "ECG", "who": "pharmacist"}], "from whom"),
        ("needs_more", [{"what": "x" * 301, "who": "coordinator"}], "Shorten"),
        ("needs_more", [ECG] * 7, "at most 6"),
    ],
)
def test_what_cannot_be_asked_for(waiting, milo, decision, requests, said):
    with pytest.raises(Refused, match=said):
        people.sign(waiting, milo, decision=decision, reason="Why.", requests=requests)
    assert not SignOff.objects.exists()


def test_only_who_records_answers_brings(waiting, milo, lead, actor_of):
    signed = ask(waiting, milo, ECG)
    with pytest.raises(NotAllowed):
        request_answer(sign_off=signed, index=0, note="Here.", actor=actor_of(lead))
    with pytest.raises(Conflict):
        request_answer(sign_off=signed, index=1, note="Here.", actor=milo)


def test_the_page_asks_what_and_from_whom(waiting, milo, client_of, clinician):
    page = reverse("sign_off", args=[waiting.study.slug, waiting.code])
    from screening.selectors import newest_assessment

    sent = {
        "assessed": str(newest_assessment(waiting, "screening").pk), "decision": "needs_more",
        "reason": "Slow pulse.", "password": PASSWORD,
    }  # fmt: skip
    client = client_of(clinician)
    for more, field in (
        ({}, "ask-0"),
        ({"ask-1": "ECG"}, "ask-1-who"),
        ({"ask-1-who": "volunteer"}, "ask-1"),
        ({"ask-0": "ECG", "ask-0-who": "volunteer", "decision": "not_eligible"}, "ask-0"),
    ):
        answer = client.post(page, {**sent, **more})
        assert answer.status_code == 422
        assert field in answer.context["form"].errors
    assert client.post(page, {**sent, "ask-0": "ECG", "ask-0-who": "volunteer"}).status_code == 302
    assert SignOff.objects.get().requests == [{"what": "ECG", "who": "volunteer"}]


def test_the_nearest_visit_first_then_the_longest_waiting(study, waiting, cora, milo):
    with clock.travel(people.NOW + timedelta(minutes=10)):
        second, third = people.ready(study, cora, milo), people.ready(study, cora, milo)
    people.book_visit(third, number=1, start=people.NOW + timedelta(days=2))
    people.book_visit(second, number=1, start=people.NOW + timedelta(days=3))
    assert [person for person, _why in in_queue(study)] == [third, second, waiting]


def test_whoever_is_past_the_dose_needs_no_decision(study, waiting):
    from scheduling.models import Visit

    uid = people.book_visit(waiting, number=2, start=people.NOW + timedelta(hours=1))
    assert in_queue(study) == [(waiting, "first")]
    Visit.objects.filter(uid=uid).update(
        state="done", started_at=people.NOW, anchor_at=people.NOW - timedelta(days=1),
        rule_earliest=timedelta(hours=20), rule_latest=timedelta(hours=28),
    )  # fmt: skip
    assert in_queue(study) == []


def test_signing_leads_to_the_next_person(study, waiting, cora, milo, client_of, clinician):
    from screening.selectors import newest_assessment

    with clock.travel(people.NOW + timedelta(minutes=10)):
        second = people.ready(study, cora, milo)
    client, names = client_of(clinician), [waiting, second]
    ends = [
        reverse("sign_off", args=[study.slug, second.code]),
        reverse("sign_off_queue", args=[study.slug]),
    ]
    for person, end in zip(names, ends, strict=True):
        page = reverse("sign_off", args=[study.slug, person.code])
        made = newest_assessment(person, "screening")
        sent = {
            "assessed": str(made.pk),
            "decision": "eligible",
            "password": PASSWORD,
            "open_next": "1",
        }
        assert client.post(page, sent).url == end


def test_a_sign_off_too_short_for_the_dose_is_listed_in_time(
    study, waiting, milo, client_of, clinician, coordinator
):
    signed = people.sign(waiting, milo)
    now = people.NOW
    assert lapsing(study, now) == []
    assert [one.participant for one in lapsing(study, signed.valid_until - timedelta(days=6))] == [
        waiting
    ]
    people.book_visit(waiting, number=2, start=signed.valid_until + timedelta(hours=1))
    (one,) = lapsing(study, now)
    assert (one.participant, one.before_visit) == (waiting, True)
    assert in_queue(study) == [(waiting, "lapses")]
    for user in (clinician, coordinator):
        page = client_of(user).get(reverse("home", args=[study.slug])).content.decode()
        assert "Sign-offs that end before the dose" in page
        assert "too short" in page
    with clock.travel(now + timedelta(days=2)):
        people.sign(waiting, milo)
        assert lapsing(study, clock.now()) == []
        assert in_queue(study) == []


def test_a_visit_before_the_end_is_no_matter(study, waiting, milo):
    signed = people.sign(waiting, milo)
    people.book_visit(waiting, number=2, start=signed.valid_until - timedelta(minutes=1))
    assert lapsing(study, signed.valid_until - timedelta(days=1)) == []


class TestSql:
    """Past every service: what a database console cannot sign either."""

    def insert(self, signed, **changed):
        signed.pk = None
        for name, value in changed.items():
            setattr(signed, name, value)
        signature = signed.signature
        signature.pk, signature.uid = None, None
        from uuid import uuid4

        signature.uid = uuid4()
        signature.save(force_insert=True)
        signed.signature = signature
        signed.save(force_insert=True)

    def flagged(self, waiting, cora):
        from tests.screening.record.test_sign_off_service import flagged

        return flagged(waiting, cora)

    def test_an_older_assessment(self, waiting, cora, milo):
        signed = people.sign(waiting, milo)
        self.flagged(waiting, cora)
        with pytest.raises(IntegrityError, match="Only the newest assessment"):
            self.insert(signed)

    @pytest.mark.parametrize(
        "items",
        [
            [],
            [{"rule_id": "M-unknown", "said": "", "decision": "accept", "reason": "Seen."}],
            [{"rule_id": "M-unknown", "said": "Granny's blue drops", "decision": "accept", "reason": " "}],
            [{"rule_id": "M-unknown", "said": "Granny's blue drops", "decision": "refuse", "reason": "x"}],
        ],
    )  # fmt: skip
    def test_an_item_that_nobody_decided(self, waiting, cora, milo, items):
        signed = people.sign(waiting, milo)
        made = self.flagged(waiting, cora)
        with pytest.raises(IntegrityError, match="needs a decision and its reason"):
            self.insert(signed, assessment=made, item_decisions=items)

    def test_an_exclusion_by_any_decision_on_its_items(self, waiting, cora, milo):
        signed = people.sign(waiting, milo)
        answers = people.quiet_answers(waiting, C_01="yes")
        from screening.selectors import newest_answers, newest_assessment

        people.answer(
            waiting, cora, answers=answers, supersedes=newest_answers(waiting, "screening"), reason="Asked."
        )  # fmt: skip
        made = newest_assessment(waiting, "screening")
        assert made.outcome == "exclude"
        items = [
            {"rule_id": f["rule_id"], "said": f["said"], "decision": "accept", "reason": "No."}
            for f in made.findings
        ]
        with pytest.raises(IntegrityError, match="cannot be signed eligible"):
            self.insert(signed, assessment=made, item_decisions=items)

    def test_asking_with_another_decision(self, waiting, milo):
        signed = people.sign(waiting, milo)
        with pytest.raises(IntegrityError, match="sign_off_asks_for_more"):
            self.insert(signed, requests=[ECG])
