"""Two people edit one record: who is second loses nothing, sees what the first changed, and decides.

A form that edits what stands carries, field by field, a digest of what stood when it was opened (`shown`).
"""

import hashlib
from collections.abc import Callable, Mapping
from typing import Any

from django import forms
from django.db import connection

from studylab.access import Actor
from studylab.db import service
from studylab.errors import Conflict

CHANGED = (
    "Somebody else changed this since you opened the page, so nothing is recorded yet. Each field says what is different. "
    "Send the form again when it is right."
)
_LOCK = 7_301_996  # advisory lock of the forms that edit one record
_SAID_AT_MOST = 200


def opened(form: forms.BaseForm) -> str:
    """Return what a form says it was opened with, of a form as it stands now."""
    return ",".join(f"{name}:{_digest(_stands(form, name))}" for name in sorted(form.fields))


@service
def write_unchanged(
    *,
    edits: Callable[[], forms.BaseForm],
    shown: str,
    about: str,
    write: Callable[[], object],
    actor: Actor,
) -> object:
    """Write if all still stands as the form was opened with; one form about the same at a time."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s, hashtext(%s))", [_LOCK, about])
    if opened(edits()) != shown.rpartition(";")[2]:
        raise Conflict(CHANGED)
    return write()


def say_changes(form: forms.BaseForm, now: forms.BaseForm, shown: str) -> None:
    """Say at each field what somebody else made of it. What was not touched takes what stands now; what was typed stays."""
    before = dict(part.partition(":")[::2] for part in shown.rpartition(";")[2].split(","))
    sent: Any = form.data
    data = sent.copy()
    form.add_error(None, CHANGED)
    if ":" not in shown:  # sent by no page of ours: what was opened is not known
        return
    for name in form.fields:
        if name not in now.fields or before.get(name) == _digest(_stands(now, name)):
            continue
        stands = _stands(now, name)
        if _typed(form, name) == stands:
            continue
        if _digest(_typed(form, name)) == before.get(name):
            _put(data, form.add_prefix(name), now[name])
            form.add_error(
                name, "Somebody else changed this meanwhile. What they entered stands here now."
            )
        else:
            form.add_error(name, _meanwhile(_words(now, name)))
    form.data = data


def _meanwhile(words: str) -> str:
    what = f"changed this to “{words[:_SAID_AT_MOST]}”" if words else "emptied this"
    return f"Meanwhile somebody else {what}. What you entered is kept: sending it again puts it in place of theirs."


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:12]


def _stands(form: forms.BaseForm, name: str) -> str:
    """What stands in a field, as a browser would send it."""
    field = form.fields[name]
    return _text(field, field.prepare_value(form.get_initial_for_field(field, name)))


def _typed(form: forms.BaseForm, name: str) -> str:
    field = form.fields[name]
    value = field.widget.value_from_datadict(form.data, form.files, form.add_prefix(name))
    return _text(field, value)


def _text(field: forms.Field, value: Any) -> str:
    if isinstance(field.widget, forms.CheckboxInput):
        return "on" if value else ""
    shown = value if isinstance(value, list | tuple) else field.widget.format_value(value)
    if isinstance(shown, list | tuple):
        return "\n".join(sorted(str(one) for one in shown if one not in (None, "")))
    return "" if shown is None else str(shown).replace("\r\n", "\n").strip()


def _put(data: Any, key: str, bound: forms.BoundField) -> None:
    value = bound.field.prepare_value(bound.initial)
    if isinstance(bound.field.widget, forms.CheckboxInput):
        data.pop(key, None)
        if value:
            data[key] = "on"
    elif isinstance(value, list | tuple):
        data.setlist(key, [str(one) for one in value])
    else:
        shown = bound.field.widget.format_value(value)
        data[key] = shown[0] if isinstance(shown, list) and shown else shown or ""


def _words(form: forms.BaseForm, name: str) -> str:
    """What stands in a field, as a reader sees it."""
    field, text = form.fields[name], _stands(form, name)
    if isinstance(field.widget, forms.CheckboxInput):
        return "yes" if text else "no"
    offers: Mapping[str, str] = {}
    if isinstance(field, forms.ChoiceField | forms.ModelChoiceField):
        offers = {str(key): str(words) for key, words in _flat(field.choices)}
    return ", ".join(offers.get(one, one) for one in text.split("\n") if one)


def _flat(choices: Any) -> list[tuple[Any, Any]]:
    found: list[tuple[Any, Any]] = []
    for key, words in choices:
        found += _flat(words) if isinstance(words, list | tuple) else [(key, words)]
    return found
