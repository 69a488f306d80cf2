"""The dosing visit: the gate with everything against it, what opens it, the dose, the wait, leaving."""

from playwright.sync_api import expect

from tests import cast
from tests.line.before_visits import (
    Readings,
    answer_questions,
    simple_check,
    standing_test,
    take_readings,
)
from tests.line.conftest import Lab
from tests.line.visits import THURSDAY, do, finish, start_visit

FIRST: Readings = ((119, 77, 61), (117, 75, 57), (118, 76, 58))  # a pulse below the proposal's 60
SECOND: Readings = ((119, 77, 66), (117, 75, 63), (118, 76, 64))
AFTER: Readings = ((112, 72, 60), (109, 70, 57), (110, 71, 58))
LEAVING: Readings = ((114, 73, 63), (112, 71, 61), (113, 72, 62))
EVERY_REASON = (
    "“What did the volunteer recall?” is not recorded.", "Today's questions are not answered.",
    "There are no pre-dose readings.", "Breath alcohol: not done at this visit.",
    "There is no kit for this person.", "No physician is on site.",
    "Until when a physician is on site", "Whether the emergency kit was looked through today",
    "Nobody has said to stay with the volunteer.",
)  # fmt: skip


def gate_is_shut(lab: Lab) -> None:
    """The second visit begins; the dose page says everything that is still in the way."""
    lab.clock.jump("09:00", THURSDAY)
    desk = lab.experimenter
    start_visit(lab, 2)
    do(desk, 2, "identity")
    desk.page.locator("summary").filter(has_text="Give the one capsule").click()
    desk.follow("Do it now, out of order, and say why", "shut")
    desk.see("The gate is shut: no dose", *EVERY_REASON)
    desk.follow("Back to the run sheet")


def cover(lab: Lab) -> None:
    """The physician checks in at the site."""
    desk = lab.clinician
    desk.home()
    desk.follow("Today")
    desk.follow("Check in")
    desk.fill("I stay at the site until", lab.clock.field_value("18:00"))
    desk.fill("Where you are found there", "Room 2, ground floor")
    desk.press("I am at the site")
    desk.see(f"{desk.person.name} until 18:00")


def emergency_kit(lab: Lab) -> None:
    """The emergency kit is looked through, and the experimenter says to stay with the volunteer."""
    desk = lab.clinician
    desk.follow("Record it")
    desk.tick("Yes, all of it")
    desk.press("Record it")
    desk.see("The emergency kit is on record for today.")
    lab.experimenter.press(f"I am with {lab.code}")
    lab.experimenter.see(f"You stay with {lab.code}.")


def hand_out(lab: Lab) -> None:
    """The pharmacist prepares the kit of the number and hands it out, checked by the lead."""
    desk = lab.pharmacist
    desk.take("Kits for the coming three days", lab.code)
    desk.press("Prepare a kit for number 001")
    desk.follow("Label for the container")
    lab.kit = desk.page.get_by_role("region", name="Label").locator(".label-number").inner_text()
    desk.follow("Back to the kit")
    desk.follow("Hand out")
    desk.fill("Kit number on the container", lab.kit)
    desk.fill("Second person's e-mail address", lab.lead.person.email)
    desk.fill("Second person's password", cast.PASSWORD)
    desk.press("Hand out")
    desk.see(f"The kit of {lab.code} is handed out.")


def before_the_dose(lab: Lab) -> None:
    """Today's questions, readings that are too low, ten minutes of rest, and readings that pass."""
    desk = lab.experimenter
    desk.follow("Ask today’s questions")
    answer_questions(desk, "dosing_day")
    desk.press("Save the answers")
    desk.follow("Take the readings")
    take_readings(lab, desk, "09:08", FIRST)
    desk.see("Let the person rest 10 minutes and repeat the whole set once.")
    desk.follow("Repeat the whole set")
    take_readings(lab, desk, "09:30", SECOND)
    value = "What the device shows, mg/L of breath"
    simple_check(desk, "breath alcohol", value, "0.00", device="Breath tester 1")
    simple_check(desk, "last meal", "Last ate at", lab.clock.field_value("07:50"))
    desk.follow("Go on")
    do(desk, 2, "reminder", "reminder_answer")


def dose(lab: Lab) -> None:
    """A kit misread, a physician who left, and then the dose, recorded by two people."""
    lab.clock.jump("09:46")
    desk = lab.experimenter
    desk.follow("To the dose page")
    desk.fill("Kit number", lab.kit[:-1])
    desk.press("Check this kit", "misread")
    desk.see("A code has 7 characters without the hyphen, this one has 6.")
    read_kit(lab)
    leave_site(lab)
    give(lab)
    desk.see("No dose is on record", "No physician is on site.")
    desk.again("after a refusal")
    desk.see("The gate is shut: no dose", "No physician is on site.")
    cover(lab)
    read_kit(lab)
    lab.clock.jump("09:50")
    give(lab)
    desk.see("The dose is on record.", "waiting after the dose")


def read_kit(lab: Lab) -> None:
    """Read the kit on the table; with it the gate is open."""
    lab.experimenter.fill("Kit number", lab.kit)
    lab.experimenter.press("Check this kit", "open")
    lab.experimenter.see("The gate is open")


def leave_site(lab: Lab) -> None:
    """The physician checks out again."""
    lab.clinician.press("Check out")
    lab.clinician.see("No dose can be given now.")


def give(lab: Lab) -> None:
    """Two people read the container, each for themselves; the volunteer swallows."""
    desk = lab.experimenter
    for reader in (f"{desk.person.name} reads", "The second person reads"):
        part = desk.page.get_by_role("group", name=reader)
        part.get_by_label("How many").fill("1")
        part.get_by_label("Strength of one, in mg").fill("40")
    desk.fill("E-mail they sign in with", lab.clinician.person.email)
    desk.fill("Their password", cast.PASSWORD)
    desk.tick("Swallowed: the mouth was looked into and is empty")
    desk.press("Swallowed: record the dose", "given or refused")


def wait(lab: Lab) -> None:
    """The countdown survives a reload; the check cannot be begun before the wait is over."""
    desk = lab.experimenter
    assert abs(minutes_left(lab) - 90) < 1
    do(desk, 2, "settled")
    for at, key, left in (("10:21", "pulse_30", 59), ("10:51", "pulse_60", 29)):
        lab.clock.jump(at)
        desk.again()
        assert abs(minutes_left(lab) - left) < 1
        do(desk, 2, key)
    desk.see("Not before 11:20")
    expect(desk.page.get_by_role("link", name="Take the readings", exact=True)).to_be_hidden()


def minutes_left(lab: Lab) -> float:
    """Return what the countdown shows, in minutes."""
    shown = lab.experimenter.page.locator("main .countdown-big time").first
    expect(shown).to_contain_text("left")
    parts = [int(part) for part in shown.inner_text().removesuffix(" left").split(":")]
    return sum(part * 60**place for place, part in enumerate(reversed(parts))) / 60


def after_the_wait(lab: Lab) -> None:
    """The check after the wait, the afternoon, and leaving after four hours."""
    desk = lab.experimenter
    lab.clock.jump("11:21")
    desk.again("due")
    desk.see("the check is due now")
    desk.follow("Take the readings")
    take_readings(lab, desk, "11:21", AFTER)
    desk.follow("Go on")
    for at, key in (("11:51", "pulse_120"), ("12:51", "pulse_180"), ("13:20", "meal")):
        lab.clock.jump(at)
        do(desk, 2, key)
    desk.see("At the earliest 13:50")
    lab.clock.jump("13:52")
    desk.again("may leave")
    desk.follow("Take the readings")
    take_readings(lab, desk, "13:52", LEAVING)
    standing_test(lab, desk, "14:03")
    desk.follow("Go on")
    desk.choose("Has the volunteer eaten?", "Yes")
    desk.tick("Asked: none of these")
    desk.press("Check whether fit to leave", "fit")
    desk.see("Fit to leave is on record.")
    finish(lab, 2)
