"""Days and times as volunteers read them, in the language that is active."""

from datetime import date, datetime

from django.utils import formats
from django.utils.translation import get_language
from django.utils.translation import gettext as _


def said_day(on: date) -> str:
    """Return a day with its month in letters."""
    return _said(on, _("j F Y"))


def said_weekday(on: date) -> str:
    """Return a day with its weekday."""
    return _said(on, _("l, j F Y"))


def said_time(at: datetime) -> str:
    """Return hours and minutes of a local time."""
    return _said(at, _("H:i"))


def said_start(at: datetime) -> str:
    """Return weekday, day and local time."""
    return _said(at, _("l, j F Y, H:i"))


def _said(at: date, pattern: str) -> str:
    if at.day == 1 and (get_language() or "").startswith("fr"):
        pattern = pattern.replace(
            "j", r"j\e\r", 1
        )  # "le 1er mars", all other days are plain numbers
    return formats.date_format(at, pattern)
