"""One volunteer at the points from which the tests of the run sheet go on."""

from tests.scheduling.sheet.builder import Case
from tests.worlds import world


@world
def booked(db: None) -> Case:
    """Signed off, booked, with a number; the first visit has not begun."""
    case = Case()
    case.prepare_study()
    case.screen()
    case.book()
    return case


@world
def first(booked: Case) -> Case:
    """Visit 1 under way, nothing recorded."""
    booked.start(1)
    return booked


@world
def seen_once(booked: Case) -> Case:
    """The first visit is over."""
    booked.visit_one()
    return booked


@world
def ready(seen_once: Case) -> Case:
    """Visit 2 up to the moment at which the dose may be given."""
    seen_once.begin_two()
    return seen_once


@world
def dosed(ready: Case) -> Case:
    """The dose was given this minute."""
    ready.give()
    return ready


@world
def rested(dosed: Case) -> Case:
    """Everything done up to the leave check, 247 minutes after the dose."""
    dosed.after_dose()
    return dosed
