"""Tags and filters for every page."""

from datetime import date, datetime
from typing import Any
from uuid import uuid4

from django import template
from django.forms import BaseForm
from django.utils import formats, timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from studylab.access import Actor, Cap
from studylab.said_times import said_day, said_start, said_time, said_weekday

register = template.Library()


@register.filter
def may(actor: Actor | None, cap: str) -> bool:
    """Whether the actor has a capability: {% if actor|may:"series_book" %}."""
    return actor is not None and actor.may(Cap(cap))


@register.filter
def instant(at: datetime | None) -> str:
    """An instant in the study's zone with weekday, month in letters, and the zone named."""
    if at is None:
        return "not known"
    local = timezone.localtime(at)
    return f"{formats.date_format(local, 'D j M Y, H:i')} {local.tzname()}"


@register.filter
def clock_time(at: datetime | None) -> str:
    """Hours and minutes in the study's zone."""
    return "" if at is None else timezone.localtime(at).strftime("%H:%M")


@register.filter
def day(on: date | datetime | None) -> str:
    """A day with weekday and month in letters."""
    if on is None:
        return "not known"
    if isinstance(on, datetime):
        on = timezone.localtime(on).date()
    return formats.date_format(on, "D j M Y")


register.filter("said_day", said_day, expects_localtime=True)
register.filter("said_weekday", said_weekday, expects_localtime=True)
register.filter("said_start", said_start, expects_localtime=True)
register.filter("said_time", said_time, expects_localtime=True)


@register.filter
def unbroken(text: str) -> str:
    """A number or a time whose parts stay in one line."""
    return text.replace(" ", "\N{NO-BREAK SPACE}")


@register.filter
def iso(at: datetime | None) -> str:
    """An instant for <time datetime> and scripts."""
    return "" if at is None else at.isoformat()


@register.filter
def bare_number(value: float | None) -> str:
    """A number as it is, without a trailing .0 and without rounding."""
    if value is None:
        return "none"
    return f"{value:g}"


@register.filter
def percent(share: float) -> str:
    """A share between 0 and 1 as a percentage with one decimal place."""
    return f"{float(share) * 100:.1f} %"


@register.simple_tag
def form_key() -> SafeString:
    """A hidden one-time key: the same form sent twice writes once."""
    return format_html('<input type="hidden" name="form_key" value="{}">', uuid4())


@register.filter
def get_item(mapping: dict[Any, Any], key: Any) -> Any:
    """Value of `key` in a mapping, or None."""
    return mapping.get(key)


@register.filter
def some_optional(form: BaseForm) -> bool:
    """Whether a form mixes fields that must be filled in with fields that may stay empty."""
    return len({field.field.required for field in form.visible_fields()}) > 1


_STEP_KINDS = {
    "identity": "identity check", "tick": "tick", "choice": "choice", "number": "number",
    "text": "free text", "read_aloud": "read aloud, then ticked", "questions": "today's questions",
    "vitals": "vital set", "timer": "timer", "label": "label", "dose": "dose",
    "leave": "fit-to-leave check",
}  # fmt: skip
_DISPOSITIONS = {
    "exclude": "cannot take part", "physician": "a physician decides", "hold": "no dose before a physician decides",
    "note": "noted",
}  # fmt: skip


@register.filter
def step_kind(kind: str) -> str:
    """What a step of a visit is recorded as, in words."""
    return _STEP_KINDS[kind]


_COVERS = {
    "serious": "every serious event", "suspected_fatal": "suspected, unexpected, fatal or life-threatening",
    "suspected_other": "suspected, unexpected, otherwise serious", "always": "errors, pregnancy and the like, whatever came of it",
    "serious_breach": "a serious breach",
}  # fmt: skip


@register.filter
def report_covers(key: str) -> str:
    """What a report is about, in words."""
    return _COVERS[key]


@register.filter
def disposition(key: str) -> str:
    """What follows from the answer to a question, in words."""
    return _DISPOSITIONS[key]
