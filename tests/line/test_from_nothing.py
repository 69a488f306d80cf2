"""From an empty database to the first booked volunteer, by the screens alone."""

import re
from datetime import date
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.management import call_command

from studylab.people.models import User
from studylab.studies.models import Study
from tests import cast
from tests.line import before_visits as before
from tests.line.conftest import MONDAY, Lab
from tests.line.desk import LabClock
from tests.line.form_desk import FormDesk

pytestmark = [pytest.mark.django_db, pytest.mark.slow]
STAFF = {
    "coordinator": ("Cora Lindqvist", "Coordinator"),
    "clinician": ("Milo Hartwell", "Clinician (supervising physician)"),
    "pharmacist": ("Petra Vance", "Pharmacist"),
    "second_pharmacist": ("Piet Sorrel", "Pharmacist"),
    "experimenter": ("Edda Marlow", "Experimenter"),
}
THINGS = (
    ("lab room", "Lighthouse room", ""), ("waiting chair", "Window chair", ""),
    ("sensor set", "Sensor set A", ""), ("dispensary", "Dispensary hatch", ""),
    ("physician cover", "Dr Hartwell on cover", "Milo Hartwell"),
    ("experimenter", "Edda Marlow", "Edda Marlow"), ("second checker", "Cora Lindqvist", "Cora Lindqvist"),
)  # fmt: skip
WEEK = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def address_of(name: str) -> str:
    return name.lower().replace(" ", ".") + "@lab.example"


def first_run(capsys: Any) -> FormDesk:
    """The code from the server, and the first account: an administrator, who has no role in any study."""
    call_command("first_run")
    code = str(capsys.readouterr().out).splitlines()[0].removeprefix("Set-up code: ")
    admin = FormDesk(SimpleNamespace(email="alba@lab.example"), "administrator")
    admin.open("/")
    for label, value in (
        ("Set-up code", code), ("Your full name", "Alba Reyes"), ("Your e-mail address", "alba@lab.example"),
        ("Password", cast.PASSWORD), ("Password again", cast.PASSWORD),
    ):  # fmt: skip
        admin.fill(label, value)
    admin.press("Make the first account")
    return admin


def begin_study(admin: FormDesk) -> FormDesk:
    """A study out of the document that ships, with a few values of our own; returns its lead."""
    admin.follow("Begin a study")
    admin.fill("Short name in addresses", "quiet-harbour")
    admin.fill("Volunteers' codes begin with", "QH")
    admin.press("Begin the draft")
    admin.follow("Fill in by form")
    admin.fill("Title on pages", "Quiet Harbour")
    admin.fill("24-hour phone of the study", "+1 902 555 0177")
    admin.press("Write these into the draft")
    admin.press("Look it over and make the study")
    admin.press("Make the study")
    return invited(admin, "Lev Okonjo", "")


def invite(lead: FormDesk, name: str, role: str) -> FormDesk:
    """An invitation to a role, from the page of the people."""
    lead.home()
    lead.follow("Set-up")
    lead.follow("People and roles")
    lead.follow("Invite a person")
    return invited(lead, name, role)


def invited(host: FormDesk, name: str, role: str) -> FormDesk:
    """The form of an invitation, whose link is handed over, opened and accepted; then the person signs in."""
    host.fill("Full name", name)
    host.fill("E-mail address", address_of(name))
    host.tick("I know this person by face and name")
    if role:
        host.tick(role)
    host.press(invite_button(host))
    (link,) = re.findall(r"https?://\S+#\S+", host.main_text())
    desk = FormDesk(SimpleNamespace(email=address_of(name)), role)
    desk.open(re.sub(r"^https?://[^/]+", "", link).partition("#")[0])
    desk.fill("Your link", link)
    desk.press("Open the invitation")
    desk.fill("Choose your password", cast.PASSWORD)
    desk.fill("The same password again", cast.PASSWORD)
    desk.tick("I have read these rules. The name above is mine, and I alone will use this account.")
    desk.press("Make my account")
    desk.sign_in()
    desk.person = User.objects.get(email=address_of(name))
    return desk


def invite_button(desk: FormDesk) -> str:
    """Return what the button of the invitation is called, with or without mail."""
    names = [one.name for one in desk.root.all("main")[0].all("button")]
    (found,) = [name for name in names if "nvit" in name or "link" in name]
    return found


def rooms_and_hours(lead: FormDesk) -> None:
    """Everything that the visits need, open every day from seven to eight in the evening; holidays closed."""
    for kind, name, person in THINGS:
        lead.home()
        lead.follow("Set-up")
        lead.follow("Rooms, equipment and hours")
        lead.follow("Add a resource")
        lead.fill("Kind", kind)
        lead.fill("Name", name)
        if person:
            lead.fill("Person", person)
        lead.press("Add")
        assert lead.heading() == f"Hours of {name}"
        for day in WEEK:
            lead.fill(day, "07:00-20:00")
        lead.press("Save hours")
    lead.follow("Public holidays")
    lead.press("Add the holidays of this year")


def open_study(lead: FormDesk) -> None:
    """What is missing is named until nothing is missing before the first booking; then the study opens."""
    lead.home()
    lead.follow("Set up the study")
    part = lead._part("Before the first booking").words
    assert "missing" not in part, part
    lead.follow("State of the study")
    lead.choose("The study becomes", "open")
    lead.press("Change the state")


def test_from_an_empty_database_to_the_first_booked_volunteer(settings: Any, capsys: Any) -> None:
    assert not User.objects.exists()
    clock = LabClock(settings, MONDAY)
    clock.jump("08:30")
    lead = begin_study(first_run(capsys))
    desks: dict[str, Any] = {key: invite(lead, *who) for key, who in STAFF.items()}
    rooms_and_hours(lead)
    second = desks.pop("second_pharmacist").person
    lab = Lab(clock=clock, watch=None, second=None, second_pharmacist=second, lead=lead, **desks)  # type: ignore[arg-type]
    lab.clinician.home()
    before.confirm_limits(lab)
    before.fill_the_dispensary(lab)
    open_study(lead)
    for stage in (
        before.enquiry, before.questionnaire, before.consent, before.screening_vitals, before.sign_off,
        before.book,
    ):  # fmt: skip
        stage(lab)
    study = Study.objects.get()
    volunteer = study.participants.get(code=lab.code)
    assert lab.code.startswith("QH")
    assert [visit.state for visit in volunteer.visits.order_by("number")] == ["booked"] * 3
    first = volunteer.visits.get(number=1).planned.lower.astimezone(study.zone)
    assert (first.date(), first.hour) == (date(2026, 3, 18), 9)
