"""The line from the first visit to the end: three visits, the contact after the dose, completed."""

import re
from datetime import date

from playwright.sync_api import expect

from studylab.studies.rules.protocol import Step
from tests import cast
from tests.line.before_visits import PLAN, WEDNESDAY
from tests.line.conftest import Lab
from tests.line.desk import Desk

THURSDAY, FRIDAY = date(2026, 3, 19), date(2026, 3, 20)
# What is entered at a step that takes a value, by its key; a choice takes its first option.
ENTERED = {
    "sensor_set": "S-07", "screen_distance": "62", "rating_moved": "7", "rating_clear": "8",
    "pulse_30": "66", "pulse_60": "64", "pulse_120": "63", "pulse_180": "65", "memory_score": "31",
}  # fmt: skip
# After which kinds of steps the sheet is looked at closely, for what comes next there.
LOOKED_AT = {"identity": "a tick", "tick": "a label or value", "read_aloud": "a choice"}
BUTTONS = {"tick": "Done", "read_aloud": "Read out"}


def step_of(visit: int, key: str) -> Step:
    """Return a step of a visit."""
    return next(step for step in PLAN.visit(visit).steps if step.key == key)


def start_visit(lab: Lab, number: int) -> None:
    """Find the volunteer under today's visits, and start."""
    desk = lab.experimenter
    desk.take("Visits today", lab.code)
    desk.see(f"Visit {number}: {PLAN.visit(number).title}", "Planned for today")
    if number > 1:
        desk.see("Inside the spacing of the protocol")
    desk.press("The volunteer is here: start", "started")


def do(desk: Desk, visit: int, *keys: str) -> None:
    """Do the next steps on the run sheet, each as the page asks for it."""
    for key in keys:
        step = step_of(visit, key)
        title = "Read aloud" if step.kind == "read_aloud" else step.text
        expect(desk.page.get_by_role("heading", level=2, name=title, exact=True)).to_be_visible()
        if step.kind == "identity":
            desk.tick("Name")
            desk.tick("Birth date")
            desk.choose("Document seen", "Passport")
        elif step.kind == "read_aloud":
            desk.see(step.text)
        elif step.kind == "choice":
            desk.choose("Answer", step.options[0])
        elif step.kind == "label":
            desk.fill("Label", ENTERED[key])
        elif step.kind == "number":
            desk.fill(f"Value ({step.unit})", ENTERED[key])
        desk.press(BUTTONS.get(step.kind, "Save"), LOOKED_AT.get(step.kind, ""))


def visit_1(lab: Lab) -> None:
    """Every step of the first visit; a distance that cannot be is refused and stays to be corrected."""
    lab.clock.jump("09:02", WEDNESDAY)
    desk = lab.experimenter
    start_visit(lab, 1)
    do(desk, 1, "identity", "welcome", "sensor_set", "sensors_on")
    desk.fill("Value (cm)", "620")
    desk.press("Save", "refused")
    desk.see("This step is not recorded", "40", "100")
    expect(desk.page.get_by_label("Value (cm)")).to_have_value("620")
    do(desk, 1, "screen_distance", "story_words", "story_shown")
    desk.press("Start 5 minutes", "timer")
    desk.see("left")
    lab.clock.jump("09:40")
    desk.again()
    do(desk, 1, "rating_moved", "rating_clear", "sensors_off")
    something_went_differently(lab)
    finish(lab, 1)


def finish(lab: Lab, number: int) -> None:
    """Finish a visit whose needed steps are all done."""
    desk = lab.experimenter
    desk.see("Everything that is needed is recorded")
    desk.press("Finish this visit", "finished")
    desk.see(f"Visit {number} is finished.")


def something_went_differently(lab: Lab) -> None:
    """The experimenter writes it down on the way; one person explains it, the lead closes it by signature."""
    desk = lab.experimenter
    desk.follow("Something went differently")
    desk.choose("What kind", "something else")
    desk.fill("What went differently", "The quiet break was disturbed by an alarm in the corridor.")
    desk.fill("When it happened", lab.clock.field_value("09:31"))
    desk.press("Record deviation")
    desk.see("Deviation recorded.", "Everything that is needed is recorded")
    lab.coordinator.take("Deviations to explain", lab.code)
    lab.coordinator.fill(
        "How it came about and what was done", "An exercise; waited, then went on."
    )
    lab.coordinator.press("Save explanation")
    close_deviation(lab, prevented_by="A sign on the door.")


def close_deviation(lab: Lab, *, prevented_by: str) -> None:
    """The lead assesses it and closes it by signature."""
    lab.lead.take("Deviations to close", lab.code)
    lab.lead.follow("Assess")
    lab.lead.choose("How important", "minor")
    lab.lead.fill("Effect on the person", "None.")
    lab.lead.fill("Effect on the data", "None.")
    lab.lead.fill("What is done so that it does not happen again", prevented_by)
    lab.lead.choose("Did it touch the person's dose, blind or safety?", "No")
    lab.lead.choose("Is it a serious breach?", "No")
    lab.lead.press("Record the assessment", "recorded")
    lab.lead.follow("Close by signature")
    lab.lead.fill("Your password", cast.PASSWORD)
    lab.lead.press("Sign and close")
    lab.lead.see(lab.lead.person.name)


def contact(lab: Lab) -> None:
    """The experimenter reaches the volunteer the morning after the dose."""
    lab.clock.jump("08:40", FRIDAY)
    desk = lab.experimenter
    desk.take("Contact after the dose", lab.code)
    desk.choose("Was the volunteer reached?", "Yes")
    for question in PLAN.follow_up.questions:
        desk.fill(question, "Well, nothing to tell.")
    desk.choose("Any symptoms since the dose?", "No")
    desk.press("Record this contact")
    desk.see("Contact recorded.", "Nobody is to be contacted.")


def visit_3(lab: Lab) -> None:
    """The last visit: the distance of the first one is there, locked."""
    lab.clock.jump("09:52", FRIDAY)
    desk = lab.experimenter
    start_visit(lab, 3)
    desk.see("62 cm", "kept from visit 1, locked")
    do(desk, 3, "identity", "feeling", "sensor_set", "seat", "test_words")
    desk.see("You have seen what was measured after the dose")
    desk.fill("Why is it not done as planned?", "Nobody else is here today.")
    do(desk, 3, "memory_score", "rating_moved", "guess", "sensors_off", "debrief")
    finish(lab, 3)
    close_deviation(lab, prevented_by="Somebody who has not seen the dosing day measures.")


def completed(lab: Lab) -> None:
    """Nothing waits any more; whoever looks finds the volunteer completed."""
    for desk in (lab.coordinator, lab.lead):
        desk.home()
        desk.see(f"1 of {PLAN.target} completed.")
        assert lab.code not in desk.main_text()
    lab.coordinator.follow("Volunteers")
    lab.coordinator.follow(re.compile(lab.code))
    lab.coordinator.see("completed", "Every part of the study is done.")
