"""The questionnaire on the volunteer's own phone, page by page."""

import re
from typing import Any

import pytest
from django.urls import reverse

from screening.models import AnswerSet, SelfReport, SelfReportEntry
from screening.rules.self_report import Screen
from screening.selectors.answers import newest_answers
from screening.selectors.self_report import written_of
from screening.selectors.sign_off import newest_assessment
from studylab.audit.models import Event
from studylab.participants.models import Consent, Participant
from tests.selfreport.phone import Phone, cards, quiet, text_of

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def walk(phone: Phone, screens: tuple[Screen, ...], **changed: Any) -> None:
    """Send every screen, healthy but for `changed`, whose ids belong to whatever screen asks them."""
    for screen in screens:
        ids = {row.id.replace("-", "_") for row in screen.rows}
        mine = {key: value for key, value in changed.items() if key.split("__")[0] in ids}
        answer = phone.answer(screen.number, quiet(screen, **mine))
        assert answer.status_code == 302, re.findall(r"<li>.*</li>", text_of(answer))


def test_from_the_agreement_to_thank_you(
    agreed: Phone, ana: Participant, all_screens: tuple[Screen, ...]
) -> None:
    walk(agreed, all_screens)
    page = agreed.get(reverse("self_report_review"))
    assert page.status_code == 200
    answer = agreed.send(reverse("self_report_review"))
    assert answer["Location"] == reverse("self_report_sent")
    assert "Your answers have arrived" in text_of(agreed.get(answer["Location"]))
    stands = newest_answers(ana, "screening")
    assert stands is not None
    assert (stands.source, stands.recorded_by, stands.height_cm, stands.weight_kg) == (
        AnswerSet.Source.VOLUNTEER, None, 172.0, 71.5,
    )  # fmt: skip
    assert stands.no_medicines
    assert stands.answers["C-01"] == {"value": "no", "detail": ""}
    assert "C-13b" not in stands.answers


def test_the_agreement_comes_before_anything_else(
    phone: Phone, ana: Participant, version: str
) -> None:
    for name, args in (
        ("self_report", []),
        ("self_report_screen", [1]),
        ("self_report_review", []),
    ):
        answer = phone.get(reverse(name, args=args), follow=True)
        assert answer.redirect_chain[-1][0] == reverse("self_report_agreement"), name
        assert version in text_of(answer)
    phone.answer(1, {"C-01": "yes"})
    assert not SelfReport.objects.exists()
    assert not Consent.objects.filter(participant=ana).exists()
    assert phone.agree("another version").status_code == 409
    phone.agree(version)
    phone.agree(version)
    consent = Consent.objects.get(participant=ana)
    assert (consent.kind, consent.method, consent.version, consent.recorded_by) == (
        "questions", "link", version, None,
    )  # fmt: skip
    assert consent.signed_at == consent.recorded_at
    event = Event.objects.get(action="consent.recorded")
    assert (event.actor_label, event.role) == (f"Volunteer {ana.code}", "Volunteer")
    assert event.data["language"] == "en"


def test_what_was_written_is_there_again_and_one_goes_on_where_one_stopped(
    agreed: Phone, all_screens: tuple[Screen, ...]
) -> None:
    agreed.answer(1, quiet(all_screens[0], C_01="not_sure", **{"C-01-detail": "Some cough, at 8"}))
    answer = agreed.answer(2, {"C-03": "no", "later": "1"})
    assert "Everything is saved" in text_of(agreed.get(answer["Location"]))
    assert agreed.get(reverse("self_report"))["Location"] == reverse("self_report_screen", args=[2])
    first, second = (text_of(agreed.get(reverse("self_report_screen", args=[n]))) for n in (1, 2))
    assert re.search(r'name="C-01" value="not_sure"[^>]*checked', first)
    assert "Some cough, at 8" in first
    assert re.search(r'name="C-03" value="no"[^>]*checked', second)


def test_an_open_question_is_pointed_at_once_and_may_stay_open(
    agreed: Phone, ana: Participant, all_screens: tuple[Screen, ...]
) -> None:
    answer = agreed.answer(1, {"C-01": "no", "C-02": "no"})
    assert answer.status_code == 422
    assert "One question has no answer yet" in text_of(answer)
    report = SelfReport.objects.get(participant=ana)
    assert written_of(report)["C-02"]["value"] == "no"
    assert report.screens_seen == []
    assert agreed.answer(1, {"C-01": "no", "C-02": "no", "leave_open": "1"}).status_code == 302
    walk(agreed, all_screens[1:])
    assert "One question is open" in text_of(agreed.get(reverse("self_report_review")))
    agreed.send(reverse("self_report_review"))
    stands = newest_answers(ana, "screening")
    assert stands is not None
    assert "C-01b" not in stands.answers
    assessment = newest_assessment(ana, "screening")
    assert assessment is not None
    assert assessment.outcome == "cannot_decide"  # missing is never a pass


def test_a_changed_answer_keeps_both_and_reaches_the_physician(
    agreed: Phone, ana: Participant, all_screens: tuple[Screen, ...]
) -> None:
    """Field case F-13: asthma "yes", back, "no", sent."""
    agreed.answer(1, quiet(all_screens[0], C_01="yes"))
    walk(agreed, all_screens)
    agreed.send(reverse("self_report_review"))
    kept = SelfReportEntry.objects.filter(participant=ana, key="C-01").order_by("id")
    assert [entry.content["value"] for entry in kept] == ["yes", "no"]
    assert kept[0].at < kept[1].at
    stands = newest_answers(ana, "screening")
    assert stands is not None
    assessment = newest_assessment(ana, "screening")
    assert assessment is not None
    found = {finding["rule_id"]: finding for finding in assessment.findings}
    assert found["changed-C-01"]["disposition"] == "physician"
    assert "first yes, now no" in found["changed-C-01"]["said"]
    assert assessment.outcome != "clear"


@pytest.mark.parametrize("worst", [False, True])
def test_nothing_tells_what_an_answer_leads_to(
    agreed: Phone, all_screens: tuple[Screen, ...], worst: bool
) -> None:
    """Field case F-13: the way, its length, addresses, status and last words are those of everybody."""
    way = []
    for screen in all_screens:
        data = quiet(screen)
        if worst and screen.kind == "topic":
            data = {key: "yes" if value in ("yes", "no") else value for key, value in data.items()}
            data |= {r.id: "not_sure" for r in screen.rows if r.asked_if and r.kind == "yes_no"}
            data |= {
                f"{r.id}-unsure": "on" for r in screen.rows if r.asked_if and r.kind != "yes_no"
            }
        answer = agreed.answer(screen.number, data)
        way.append((answer.status_code, answer["Location"]))
    total = len(all_screens)
    assert way == [
        *((302, reverse("self_report_screen", args=[n + 1])) for n in range(1, total)),
        (302, reverse("self_report_review")),
    ]
    sent = agreed.send(reverse("self_report_review"))
    assert (sent.status_code, sent["Location"]) == (302, reverse("self_report_sent"))
    last = re.sub(r'value="[^"]{64}"', "", text_of(agreed.get(sent["Location"])))
    shown = re.sub(r"<[^>]+>|\s+", " ", last).lower()
    assert "whatever the answers are" in shown
    for word in ("exclude", "eligible", "limit", "placebo", "arm ", "physician decides", "safe to"):
        assert word not in shown


def test_sent_twice_is_sent_once_and_a_sent_link_shows_only_that(
    agreed: Phone, ana: Participant, all_screens: tuple[Screen, ...]
) -> None:
    walk(agreed, all_screens)
    agreed.send(reverse("self_report_review"))
    again = agreed.send(reverse("self_report_review"))
    assert again["Location"] == reverse("self_report")
    assert AnswerSet.objects.filter(participant=ana).count() == 1
    agreed.answer(1, {"C-01": "yes"})
    assert SelfReportEntry.objects.filter(key="C-01", content__value="yes").count() == 0
    page = agreed.get(reverse("self_report_screen", args=[1]), follow=True)
    assert page.redirect_chain[-1][0] == reverse("self_report_sent")


def test_medicines_stay_in_the_volunteers_words(
    agreed: Phone, ana: Participant, all_screens: tuple[Screen, ...]
) -> None:
    number = all_screens[-2].number
    pump = {"name": "the blue pump", "dose": "two puffs", "route": "inhaled",
            "taken_on": "2026-03-09", "prescribed": "not_sure"}  # fmt: skip
    answer = agreed.answer(number, {**cards([pump]), "more": "1"})
    assert answer["Location"] == reverse("self_report_screen", args=[number])
    assert "the blue pump" in text_of(agreed.get(answer["Location"]))
    walk(agreed, tuple(s for s in all_screens if s.kind != "medicines"))
    both = agreed.answer(number, {**cards([pump]), "none": "on"})
    assert both.status_code == 422
    assert "You listed something below" in text_of(both)
    future = agreed.answer(number, cards([{**pump, "taken_on": "2026-03-12"}]))
    assert "This day is still to come" in text_of(future)
    assert "the blue pump" in text_of(future)
    assert agreed.answer(number, cards([pump])).status_code == 302
    agreed.send(reverse("self_report_review"))
    stands = newest_answers(ana, "screening")
    assert stands is not None
    (medicine,) = stands.medicines
    assert medicine["name"] == "the blue pump"
    assert medicine["prescribed"] is True  # not sure counts as prescribed
    assert (
        medicine["last_taken"] == "2026-03-10T02:59:00+00:00"
    )  # as late as the day allows in Halifax


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ({"C-38a": "three"}, "Write one number in figures"),
        ({"C-38a": "12/8"}, "Write one number in figures"),
        ({"C-38a": "900"}, "Write a number from 0 to 300"),
        ({"C-38a": "3", "C-38a-unsure": "on"}, "not both"),
        ({"C-39a": "yes", "C-39a-detail": "x" * 4000}, "at most 1000 fit"),
        ({"C-37a": "perhaps"}, "Choose one of the answers"),
    ],
)
def test_what_is_no_answer_gets_a_message_at_its_question_and_nothing_is_lost(
    agreed: Phone, all_screens: tuple[Screen, ...], data: dict[str, str], said: str
) -> None:
    screen = next(s for s in all_screens if s.topic and s.topic.key == "habits")
    answer = agreed.answer(screen.number, {**quiet(screen), "C-39a-detail": "hello", **data})
    assert answer.status_code == 422
    page = text_of(answer)
    assert said in page
    assert next(iter(data.values())) in page or "perhaps" in data.values()
    assert "hello" in page or "xxxx" in page


def test_a_date_to_come_or_long_past_is_refused(
    agreed: Phone, all_screens: tuple[Screen, ...]
) -> None:
    screen = next(s for s in all_screens if s.topic and s.topic.key == "taking_part")
    for day, said in (("2026-04-01", "still to come"), ("1876-01-01", "too long ago"),
                      ("31/02/2026", "Choose a day")):  # fmt: skip
        answer = agreed.answer(screen.number, {**quiet(screen), "C-46a": "yes", "C-46b": day})
        assert answer.status_code == 422
        assert said in text_of(answer), day


def test_somebody_asked_by_link_is_added_with_nothing_but_how_to_reach_them(
    coordinator: Any, client_of: Any, bilingual: Any, ticking: Any
) -> None:
    office, page = client_of(coordinator), reverse("volunteer_add", args=[bilingual.slug])
    data = {
        "family_name": "Okafor", "given_names": "Ben", "birth_date": "1995-11-21", "language": "fr-ca",
        "email": "ben@mail.example", "agreed_method": "spoken", "agreed_at": "",
    }  # fmt: skip
    refused = office.post(page, data)
    assert "Enter when the volunteer agreed." in text_of(refused)
    assert office.post(page, {**data, "agreed_method": "by_link"}).status_code == 302
    ben = Participant.objects.get()
    assert (ben.language, ben.consents.count()) == ("fr-ca", 0)
    shown = text_of(office.get(reverse("volunteer", args=[bilingual.slug, ben.code])))
    assert "No consent is on record." in shown
    assert reverse("links", args=[bilingual.slug, ben.code]) in shown


def test_a_fault_of_ours_speaks_the_volunteers_language(
    phone: Phone, monkeypatch: pytest.MonkeyPatch
) -> None:
    from screening.views import self_report

    def break_down(*args: Any) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(self_report, "agreed_to_questions", break_down)
    phone.raise_request_exception = False
    phone.cookies["studylab_language"] = "fr-ca"
    answer = phone.get(reverse("self_report"))
    assert answer.status_code == 500
    assert "La faute est de notre côté" in text_of(answer)
    assert answer["Cache-Control"] == "no-store"
