"""The line up to the first visit: setting up, enquiry, questions, consent, readings, sign-off, booking."""

from datetime import date, datetime, time, timedelta

from screening.rules.table import load_table
from studylab.management.demo.steps import healthy_answers
from studylab.studies.rules.loader import load_protocol
from tests import cast
from tests.line.conftest import Lab
from tests.line.desk import Desk

PLAN = load_protocol((cast.DOCUMENTS / "demo.toml").read_text(encoding="utf-8"))
FORM = f"{PLAN.supply.form}, as the protocol says"
WEDNESDAY = date(2026, 3, 18)
SEATED = "seated: back and arm supported, feet flat, cuff at heart level, not talking"
# (systolic, diastolic, pulse) of a first, second and third reading
Readings = tuple[tuple[int, int, int], ...]
MEASURES = ("systolic pressure", "diastolic pressure", "pulse")
USUAL: Readings = ((121, 78, 72), (116, 75, 67), (118, 74, 69))


def confirm_limits(lab: Lab) -> None:
    """The clinician signs the limits; until then every page says that dosing is refused."""
    clinician = lab.clinician
    clinician.see("Confirm them by signature; until then dosing is refused.")
    clinician.follow("Limits", within="What the study still lacks")
    clinician.tick("I have read every limit on this page")
    clinician.fill("Your password", cast.PASSWORD)
    clinician.press("Sign")
    clinician.see(lab.clinician.person.name)


def fill_the_dispensary(lab: Lab) -> None:
    """The pharmacist seals the list and takes one batch per arm into stock."""
    pharmacist = lab.pharmacist
    pharmacist.home()
    pharmacist.follow("Allocation list", within="What the study still lacks")
    pharmacist.fill("Your password", cast.PASSWORD)
    pharmacist.press("Make and seal the list")
    pharmacist.home()
    for arm, batch in (("Propranolol 40 mg", "QF-3301"), ("Placebo", "QF-3307")):
        pharmacist.follow("Dispensary")
        pharmacist.follow("Receive kits")
        pharmacist.choose("What these kits hold", arm)
        pharmacist.fill("Batch number", batch)
        pharmacist.fill("Usable until, this day included", "2027-03-31")
        pharmacist.choose("What is in a container", FORM)
        pharmacist.fill("Units in one kit", "1")
        pharmacist.fill("Strength of one unit", "40")
        pharmacist.fill("Number of kits", "10")
        pharmacist.press("Take into stock")
        pharmacist.follow(f"Check the identity of batch {batch}")
        pharmacist.choose("What two pharmacists found", "The units are what the papers say")
        pharmacist.fill("Retained units looked at", "2")
        pharmacist.fill("What was looked at", "imprint and weight")
        pharmacist.fill("Second person's e-mail address", lab.second_pharmacist.email)
        pharmacist.fill("Second person's password", cast.PASSWORD)
        pharmacist.fill("Your password", cast.PASSWORD)
        pharmacist.press("Record the check")
    pharmacist.see("QF-3301", "QF-3307")


def enquiry(lab: Lab) -> None:
    """Somebody calls; the coordinator adds them and gets a code."""
    lab.clock.jump("10:05")
    desk = lab.coordinator
    desk.home()
    desk.follow("Add a volunteer")
    for label, value in (
        ("Family name", "Brightwater"), ("Given names", "Isolde"), ("Birth date", "1999-07-02"),
        ("Phone number", "+1 902 555 0188"), ("Agreed to health questions at", lab.clock.field_value("10:01")),
    ):  # fmt: skip
        desk.fill(label, value)
    desk.choose("How they agreed", "spoken")
    desk.press("Add volunteer")
    lab.code = desk.heading()
    desk.see_next("Have the questionnaire filled in", "coordinator")


def questionnaire(lab: Lab) -> None:
    """Every question is asked; the rules say at once what they make of it."""
    desk = lab.coordinator
    desk.follow("Have the questionnaire filled in")
    answer_questions(desk, "screening")
    desk.tick(NO_MEDICINES)
    desk.fill("Height in cm", "172")
    desk.fill("Weight in kg", "66")
    desk.press("Save the answers")
    desk.follow(f"What comes next for {lab.code}")
    desk.see_next("Take informed consent to the study", "coordinator")


NO_MEDICINES = (
    "Takes no medicines at all: none from a doctor, a shop, the internet, herbal, inhaled, as drops, "
    "patches or injections, and no contraceptive"
)
WORDS = {"yes": "Yes", "no": "No", "not_sure": "Not sure"}


def answer_questions(desk: Desk, when: str) -> None:
    """Answer every question of a gate as somebody with nothing to report."""
    rows = load_table().for_study(PLAN.questions).asked(when)
    answers = healthy_answers(rows, {})
    for row in rows:
        if row.id not in answers:
            continue
        value = answers[row.id]["value"]
        if row.kind == "yes_no":
            desk.choose(row.text, WORDS[value])
        else:
            desk.write(row.text, str(value))


def consent(lab: Lab) -> None:
    """The signed form is entered from paper."""
    lab.clock.jump("10:50")
    desk = lab.coordinator
    desk.take("Take informed consent", lab.code)
    desk.tick("The signed form is version “1.0, 12 Jan 2026”")
    desk.fill("Volunteer signed at", lab.clock.field_value("10:44"))
    desk.fill("Date the volunteer wrote on the form", lab.clock.day.isoformat())
    desk.fill("Staff signed at", lab.clock.field_value("10:46"))
    desk.press("Record consent")
    desk.see_next("Take the screening vitals", "experimenter")


def screening_vitals(lab: Lab) -> None:
    """The experimenter finds the volunteer on the first page and takes three readings after a rest."""
    lab.clock.jump("10:58")
    desk = lab.experimenter
    desk.take("Take the screening vitals", lab.code)
    take_readings(lab, desk, "11:00", USUAL, both_arms=True)
    standing_test(lab, desk, "11:12")
    desk.follow(f"What comes next for {lab.code}")
    desk.see_next("Decide and sign", "clinician")


def standing_test(lab: Lab, desk: Desk, now: str) -> None:
    """From the page of a set: rest lying down from a local time on, stand up, measure after one and three minutes."""
    began = datetime.combine(lab.clock.day, time.fromisoformat(now))

    def at(seconds: int) -> str:
        return (began + timedelta(seconds=seconds)).time().isoformat()

    desk.follow("Do the standing test")
    desk.choose("How did the person rest before?", "lying down")
    lab.clock.jump(now)
    desk.press("Start the rest")
    lab.clock.jump(at(310))  # a slow page takes some of it away
    desk.press("Standing up now")
    lab.clock.jump(at(540))
    for where, systolic, diastolic in (
        ("Before standing up", 118, 74), ("After 1 minute", 112, 76), ("After 3 minutes", 115, 77),
    ):  # fmt: skip
        desk.fill(f"{where}, systolic", str(systolic))
        desk.fill(f"{where}, diastolic", str(diastolic))
    desk.fill("After 1 minute, time", at(373))
    desk.fill("After 3 minutes, time", at(494))
    desk.choose("Dizzy, faint, unsteady or unwell on standing?", "No, asked")
    desk.fill("Device", "Monitor 2")
    desk.press("Save the test")
    desk.see("fine")
    desk.follow("Go on")


def simple_check(desk: Desk, name: str, label: str, value: str, *, device: str = "") -> None:
    """From a page that lists the checks: do one that has a single value."""
    desk.follow(f"Do the {name}")
    desk.fill(label, value)
    if device:
        desk.fill("Device", device)
    desk.press("Save")
    desk.follow("Go on")


def take_readings(
    lab: Lab, desk: Desk, now: str, readings: Readings, *, both_arms: bool = False
) -> None:
    """Start the rest now, a local time, and record three readings from six minutes later on."""
    began = datetime.combine(lab.clock.day, time.fromisoformat(now))
    lab.clock.jump(now)
    desk.press("Start the rest", "resting")
    desk.see_rest()
    lab.clock.jump((began + timedelta(minutes=9)).time().isoformat())
    for number, values in enumerate(readings, 1):
        taken = began + timedelta(seconds=300 + 75 * number)
        desk.fill(f"Reading {number}, time", taken.time().isoformat())
        for measure, value in zip(MEASURES, values, strict=True):
            desk.fill(f"Reading {number}, {measure}", str(value))
    if both_arms:
        for label, value in (
            ("Left arm, systolic", "124"), ("Left arm, diastolic", "80"),
            ("Right arm, systolic", "119"), ("Right arm, diastolic", "78"),
        ):  # fmt: skip
            desk.fill(label, value)
    desk.choose("How did the person sit?", SEATED)
    desk.choose("Arm", "Left")
    desk.choose("Is the pulse regular?", "regular")
    desk.fill("Cuff size", "standard adult")
    desk.fill("Device", "Monitor 2")
    desk.tick("Asked: none of these")
    desk.press("Save the set")


def sign_off(lab: Lab) -> None:
    """The clinician reads what is there, decides and signs with the password."""
    lab.clock.jump("11:30")
    desk = lab.clinician
    desk.take("Decide and sign", lab.code)
    desk.choose("Decision", "eligible")
    desk.fill("Your password", cast.PASSWORD)
    desk.press("Sign")
    desk.see(f"Signed for {lab.code}.")


def book(lab: Lab) -> None:
    """The coordinator searches a series, books it, and issues the number."""
    lab.clock.jump("12:00")
    desk = lab.coordinator
    desk.take("Book the series", lab.code)
    desk.unfold("Days and times", "From")
    desk.fill("From", WEDNESDAY.isoformat())
    desk.fill("Not before", "09:00")
    desk.press("Search")
    desk.see("series that fit, best first")
    desk.press("Book this series from Wed 18 Mar 2026, 09:00")
    desk.follow(f"What comes next for {lab.code}")
    desk.see_next("Issue the allocation number", "coordinator")
    desk.press("Issue the number")
    desk.see_next("Start visit 1", "experimenter")
