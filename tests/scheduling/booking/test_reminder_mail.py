"""The mail of a reminder as its reader gets it: read by Python's strict e-mail parser, and its file by two readers.

One of them, `ical_reader`, shares nothing with icalendar, which writes the file.
"""

from datetime import UTC, date, datetime, time, timedelta
from email import message_from_bytes, policy
from typing import Any

import icalendar
import pytest

from scheduling.models import Series
from studylab import clock
from studylab.outbox.channels.mail import mail_bytes
from studylab.outbox.compose import compose
from studylab.outbox.kinds import Planned
from studylab.outbox.models import Message, Reach
from studylab.outbox.names import medicine_names
from studylab.outbox.rules.unsaid import unsaid_in
from studylab.outbox.selectors.timing import first_tries
from studylab.participants.rules.details import ContactDetails
from studylab.participants.selectors import contact_details
from studylab.participants.services.volunteers import contact_write
from tests.scheduling.calendar.ical_reader import instant, read

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _site(settings: Any, booked: Series) -> None:
    settings.MAIL_FROM, settings.MAIL_BOUNCES = "studies@lab.example", "bounces@lab.example"
    details = ContactDetails(
        "Quartermaine",
        "Zenobia",
        date(1990, 4, 1),
        email="zq@mail.example",
        phone="+1 902 555 0199",
        address="9 Elm Walk",
    )
    contact_write(booked.participant.person, details)


def reminder(booked: Series, language: str = "en") -> Message:
    visit = booked.visits.get(number=2)
    rows = Message.objects.select_related("study", "participant__study", "participant__person")
    message = rows.filter(about=f"visit:{visit.pk}").latest("due_at")
    message.language = language
    return message


@pytest.mark.parametrize("language", ["en", "fr-ca"])
def test_a_strict_reader_finds_both_parts_and_the_appointment(
    booked: Series, language: str
) -> None:
    content = mail_bytes(compose(reminder(booked, language)), clock.now())
    mail = message_from_bytes(content, policy=policy.strict)  # raises on any defect
    assert content.isascii()
    assert len(mail["To"].addresses) == 1
    assert not mail["Cc"]
    assert not mail["Bcc"]
    plain, page = mail.get_body(("plain",)), mail.get_body(("html",))
    assert plain is not None
    assert page is not None
    assert f'lang="{"fr-CA" if language == "fr-ca" else "en"}"' in page.get_content()
    (file,) = mail.iter_attachments()
    calendar = icalendar.Calendar.from_ical(file.get_content())
    # RFC 6047, 2.4: the method of the MIME part is that of the calendar in it.
    assert (file.get_content_type(), file.get_param("method")) == ("text/calendar", "PUBLISH")
    assert calendar["METHOD"] == "PUBLISH"
    (event,) = calendar.walk("VEVENT")
    visit = booked.visits.get(number=2)
    assert event.start.astimezone(UTC) == visit.planned.lower
    assert (event["UID"], event["SEQUENCE"]) == (str(visit.uid), visit.revision)
    # What arrives, past the encoding of the mail: CRLF, folded lines, and instants by the zone's rules in the file.
    payload = file.get_payload(decode=True)
    assert isinstance(payload, bytes)
    own = read(payload)
    (part,) = own.all("VEVENT")
    assert (own.text("METHOD"), part.text("UID")) == ("PUBLISH", str(visit.uid))
    ends = [instant(own, part, name) for name in ("DTSTART", "DTEND")]
    assert ends == [visit.planned.lower, visit.planned.upper]


@pytest.mark.parametrize("language", ["en", "fr-ca"])
def test_nothing_leaks_but_the_address_it_goes_to(booked: Series, language: str) -> None:
    mail = compose(reminder(booked, language))
    said = "\n".join(
        [mail.subject, mail.text, mail.html, *(one.content.decode() for one in mail.attachments)]
    )
    assert unsaid_in(said, language, medicine_names(), addresses=False) == ()
    details = contact_details(booked.participant.person)
    assert details is not None
    private = (
        details.family_name,
        details.given_names,
        details.email,
        details.phone,
        details.address,
    )
    assert not [one for one in private if one and one in said]
    assert booked.participant.code not in said
    assert booked.participant.study.title not in said
    headers = "\n".join([mail.sender, mail.return_path, *mail.headers.values()])
    assert details.email not in headers
    assert mail.to == details.email


def tries(booked: Series, due: datetime, hours: int = 24) -> datetime:
    person = booked.participant
    planned = Planned(kind="visit_reminder", study=person.study, participant=person, about="x:1", due_at=due,
                      useful_until=due + timedelta(hours=hours), key="x")  # fmt: skip
    return first_tries([planned], clock.now())[0]


def test_quiet_hours_of_the_document_by_the_volunteers_clock(booked: Series) -> None:
    """demo.toml: quiet from 21:00 to 08:00."""
    zone, day = booked.participant.study.zone, (clock.now() + timedelta(days=3)).date()
    night = datetime.combine(day, time(23), tzinfo=zone)
    assert tries(booked, night) == datetime.combine(day, time(20, 45), tzinfo=zone)
    noon = datetime.combine(day, time(12), tzinfo=zone)
    assert tries(booked, noon) == noon
    Reach.objects.create(
        participant=booked.participant,
        zone="Asia/Tokyo",
        said_at=clock.now(),
        recorded_at=clock.now(),
    )
    assert tries(booked, noon) < noon  # midnight or later in Tokyo


def test_what_is_of_use_only_at_night_is_not_lost(booked: Series) -> None:
    """In the night, with no time before it that is still to come: at its own time, by mail."""
    zone, day = booked.participant.study.zone, (clock.now() + timedelta(days=3)).date()
    night = datetime.combine(day, time(23), tzinfo=zone)
    with clock.travel(night - timedelta(minutes=30)):
        assert tries(booked, night, hours=4) == night
        assert tries(booked, night, hours=24) > night


def test_the_queue_keeps_quiet_hours_and_one_more_message_costs_no_query(
    booked: Series, django_assert_max_num_queries: Any
) -> None:
    person = booked.participant
    rows = [Planned(kind="visit_reminder", study=person.study, participant=person, about=f"x:{n}", key=f"x:{n}",
                    due_at=clock.now() + timedelta(hours=n), useful_until=clock.now() + timedelta(days=9))
            for n in range(1, 20)]  # fmt: skip
    with django_assert_max_num_queries(3):
        first_tries(rows, clock.now())
