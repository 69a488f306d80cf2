"""Personal links at the door: the right person in, everybody else told the same."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client, override_settings
from django.urls import reverse

from screening.rules.self_report import Screen
from studylab import clock
from studylab.access import Actor
from studylab.audit.models import Event, RowChange
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import LinkDevice, Participant, PersonalLink
from studylab.participants.rules.link import BIRTH_DATE_TRIES
from studylab.participants.services.links import MadeLink, holder_actor, link_open, link_revoke
from tests.participants.people import BEN, add
from tests.selfreport.conftest import BORN
from tests.selfreport.phone import Phone, make, quiet, text_of

pytestmark = [pytest.mark.django_db, pytest.mark.database]
WRONG = {"year": 1990, "month": 1, "day": 2}


def bare(answer: Any) -> str:
    """Return a page without the token of its forms, which differs every time."""
    return re.sub(r'name="csrfmiddlewaretoken" value="[^"]+"', "", text_of(answer))


def later(monkeypatch: pytest.MonkeyPatch, **delta: int) -> None:
    at = clock.now() + timedelta(**delta)
    monkeypatch.setattr(clock, "now", lambda: at)


def test_every_link_that_does_not_open_gets_the_same_page(
    keeper: Actor, ana: Participant, study: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    replaced, revoked, old = (
        make(keeper, ana),
        make(keeper, add(keeper, study, BEN)),
        make(keeper, ana),
    )
    link_revoke(link=revoked.link, reason="sent to a wrong number", actor=keeper)
    tampered = ("B" if old.token[0] != "B" else "C") + old.token[1:]
    later(monkeypatch, days=15)
    tokens = ["", "x", "A" * 40, tampered, old.token[:-1], replaced.token, revoked.token, old.token]
    answers = [Phone().open(token) for token in tokens]
    answers.append(Phone().get(reverse("self_report")))
    assert {answer.status_code for answer in answers} == {403}
    pages = {re.sub(r'name="next" value="[^"]+"', "", bare(answer)) for answer in answers}
    assert len(pages) == 1
    page = pages.pop()
    assert "ask the study team for a new link" in page
    for secret in (study.short_title, ana.code, "Harbour", "Lopez", "withdrawn"):
        assert secret not in page


def test_links_and_devices_of_before_a_change_of_the_sites_key_stay_in(
    keeper: Actor, study: Any, made: MadeLink, phone: Phone, settings: Any
) -> None:
    other, page = make(keeper, add(keeper, study, BEN)), reverse("self_report_agreement")
    settings.SECRET_KEY_FALLBACKS, settings.SECRET_KEY = [settings.SECRET_KEY], "x" * 60
    assert phone.get(page).status_code == 200
    late = Phone()
    assert late.open(other.token).status_code == 302
    assert late.get(page).status_code != 403
    settings.SECRET_KEY_FALLBACKS = []
    assert phone.get(page).status_code == 403
    assert late.get(page).status_code != 403  # let in under the new key


def test_the_pages_carry_their_guards(made: MadeLink, phone: Phone) -> None:
    for answer in (
        Client().get(reverse("link_door")), Phone().open("wrong"), phone.get(reverse("self_report")),
        phone.get(reverse("self_report_agreement")), phone.get("/my/questions/99/"),
    ):  # fmt: skip
        assert answer["Cache-Control"] == "no-store"
        assert answer["Referrer-Policy"] == "no-referrer"
        assert answer["X-Robots-Tag"] == "noindex, nofollow"
        assert "default-src 'none'" in answer["Content-Security-Policy"]


def test_looking_at_the_door_opens_nothing(made: MadeLink) -> None:
    """What previews of messages do: they ask for the address, whose secret part no server ever sees."""
    page = Client().get(reverse("link_door"))
    assert page.status_code == 200
    made.link.refresh_from_db()
    assert made.link.opened_at is None
    assert not page.cookies.get("studylab_link")


def test_the_secret_is_shown_once_and_stored_nowhere(
    coordinator: Any, client_of: Any, ana: Participant, study: Any
) -> None:
    office = client_of(coordinator)
    page = text_of(
        office.post(
            reverse("links", args=[study.slug, ana.code]), {"purpose": "questions", "days": "7"}
        )
    )
    (token,) = re.findall(r"/my/#([A-Za-z0-9_-]{40})<", page)
    assert "data:image/svg+xml" in page
    assert token not in text_of(office.get(reverse("links", args=[study.slug, ana.code])))
    phone = Phone()
    answer = phone.open(token)
    assert answer["Location"] == reverse("self_report")  # and no address has the secret in it
    secret = phone.cookies["studylab_link"].value
    assert phone.cookies["studylab_link"]["httponly"]
    stored = [
        str(list(model.objects.values())) for model in (PersonalLink, LinkDevice, Event, RowChange)
    ]
    assert all(token not in text and secret not in text for text in stored)


def test_the_square_says_the_same_as_the_link(
    coordinator: Any, client_of: Any, ana: Participant, study: Any
) -> None:
    """A QR code (ISO/IEC 18004) made anew from the shown link has the same modules."""
    import segno

    office = client_of(coordinator)
    page = text_of(
        office.post(
            reverse("links", args=[study.slug, ana.code]), {"purpose": "questions", "days": "7"}
        )
    )
    (address,) = re.findall(r'id="link-address">([^<]+)<', page)
    picture = segno.make(address.strip(), error="m", micro=False)
    shown = re.search(r'<img class="link-picture" src="([^"]+)"', page)
    assert shown is not None
    wanted = picture.svg_data_uri(scale=6, border=4, dark="#000", light="#fff")
    assert shown[1].replace("&#x27;", "'").replace("&amp;", "&") == wanted


def test_a_new_link_withdraws_the_old_one_on_every_device(
    keeper: Actor, ana: Participant, agreed: Phone, made: MadeLink, all_screens: tuple[Screen, ...]
) -> None:
    agreed.answer(1, quiet(all_screens[0]))
    fresh = make(keeper, ana)
    assert agreed.get(reverse("self_report_screen", args=[1])).status_code == 403
    made.link.refresh_from_db()
    assert made.link.revoked_reason == "Replaced by a newer link."
    # What was written goes on through the new one, which does not show it to whoever got it by mistake.
    stranger = Phone()
    page = stranger.open(fresh.token)
    assert "Is it you?" in text_of(page)
    assert stranger.get(reverse("self_report")).status_code == 403
    assert stranger.open(fresh.token, **BORN).status_code == 302
    assert stranger.get(reverse("self_report"))["Location"] == reverse(
        "self_report_screen", args=[2]
    )


def test_another_device_must_know_the_birth_date_and_has_few_tries(
    made: MadeLink, agreed: Phone, ana: Participant
) -> None:
    other = Phone()
    page = other.open(made.token)
    assert page.status_code == 200
    assert all(word not in text_of(page) for word in (ana.code, "Lopez", "Ana", "Harbour"))
    impossible = other.open(made.token, year=1998, month=2, day=31)
    assert "There is no such day" in text_of(impossible)
    for _ in range(BIRTH_DATE_TRIES - 1):
        assert other.open(made.token, **WRONG).status_code == 422
    assert other.open(made.token, **WRONG).status_code == 403
    assert other.open(made.token, **BORN).status_code == 403  # the right one comes too late
    assert agreed.get(reverse("self_report")).status_code == 302  # the first device stays in
    tries = Event.objects.filter(action="link.refused").order_by("id")
    assert [event.data["wrong_tries"] for event in tries] == [1, 2, 3, 4, 5]
    assert "1990" not in str(list(tries.values()))


def test_a_device_can_be_closed_and_asks_anew(made: MadeLink, agreed: Phone) -> None:
    page = agreed.send(reverse("link_leave"))
    assert "Closed on this device" in text_of(page)
    assert agreed.get(reverse("self_report")).status_code == 403
    assert "Is it you?" in text_of(agreed.open(made.token))


def test_a_second_persons_link_on_the_same_device_leads_to_the_second_person(
    keeper: Actor, study: Any, agreed: Phone, version: str
) -> None:
    """A tablet at the desk: what the first person had open is neither shown nor written to."""
    ben = add(keeper, study, BEN, agreed_at=None, agreed_method="")
    assert agreed.open(make(keeper, ben).token).status_code == 302
    agreed.agree(version)
    agreed.answer(1, {"C-01": "yes", "leave_open": "1"})
    assert ben.self_reports.count() == 1
    assert PersonalLink.objects.exclude(participant=ben).get().participant.self_reports.count() == 0


def test_who_has_ended_taking_part_finds_the_link_closed(ana: Participant, agreed: Phone) -> None:
    ana.status, ana.status_reason = Participant.Status.WITHDRAWN, "moved away"
    ana.save()
    assert agreed.get(reverse("self_report")).status_code == 403


def test_a_link_is_for_one_person(
    keeper: Actor, ana: Participant, study: Any, made: MadeLink, actor_of: Any, monitor: Any
) -> None:
    ben = add(keeper, study, BEN)
    with pytest.raises(NotAllowed):
        link_open(link=make(keeper, ben).link, born=None, actor=holder_actor(made.link))
    for actor in (holder_actor(made.link), actor_of(monitor)):
        with pytest.raises(NotAllowed):
            make(actor, ana)
    with pytest.raises(Refused, match="Say why"):
        link_revoke(link=made.link, reason=" ", actor=keeper)


def test_wrong_links_and_too_many_saves_are_slowed_down(made: MadeLink, agreed: Phone) -> None:
    answers = [Client().post(reverse("link_door"), {"token": "x"}).status_code for _ in range(32)]
    assert answers == [403] * 30 + [429] * 2
    assert agreed.get(reverse("self_report")).status_code == 302  # whoever has a right link goes on
    from unittest.mock import patch

    with patch("studylab.participants.middleware.SAVES_AT_MOST", 1):
        agreed.answer(1, {"C-01": "no", "leave_open": "1"})
        slow = agreed.answer(1, {"C-01": "no", "leave_open": "1"})
    assert (slow.status_code, slow["Retry-After"]) == (429, "600")


def test_forms_of_a_page_without_referrer_come_in_and_foreign_ones_do_not(made: MadeLink) -> None:
    """Such a page sends "Origin: null" (Fetch standard), and so does a foreign page that hides itself."""
    door, phone = reverse("link_door"), Phone()
    ours = {"origin": "null", "sec-fetch-site": "same-origin"}
    assert phone.send(door, {"token": made.token}, headers=ours).status_code == 302
    foreign = {"origin": "null", "sec-fetch-site": "cross-site"}
    assert phone.send(door, {"token": made.token}, headers=foreign).status_code == 403
    forged = phone.post(door, {"token": made.token}, headers=ours)  # without the form's own token
    assert forged.status_code == 403
    assert "This did not work" in text_of(forged)
    assert (
        phone.send("/sign-in/", headers=ours).status_code == 403
    )  # pages of the staff change nothing


@override_settings(BEHIND_PROXY=True)
def test_behind_a_proxy_the_visitors_own_address_counts() -> None:
    door = reverse("link_door")
    for number in range(31):
        answer = Client().post(
            door, {"token": "x"}, headers={"x-forwarded-for": f"9.9.9.9, 10.0.0.{number}"}
        )
        assert answer.status_code == 403
