"""The list can be made again from its seed, and any change to what was sealed is found and named."""

import io
from typing import Any

import pgtrigger
import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import connection
from django.urls import reverse

from studylab.allocation import gates
from studylab.allocation.models import AllocationList, Kit, KitBatch, ListEntry
from studylab.allocation.services.list_checks import check_due_lists
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.loader import protocol_hash
from tests import cast
from tests.allocation import helpers

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def verify(*args: str) -> tuple[bool, str]:
    """Return whether the command is content, and everything it printed."""
    out = io.StringIO()
    try:
        call_command("verify_allocation", *args, stdout=out, no_color=True)
    except CommandError as problem:
        return problem.returncode != 1, out.getvalue() + str(problem)
    return True, out.getvalue()


def tamper(sql: str, *values: Any) -> None:
    """Change rows past the guards, as somebody with the database's own password could."""
    with pgtrigger.ignore(), connection.cursor() as cursor:
        cursor.execute(sql, list(values))
        assert cursor.rowcount > 0


def found(*words: str) -> str:
    """Verify, expect a difference said in these words and no arm, and return the text."""
    content, text = verify()
    assert not content
    for word in words:
        assert word in text
    folded = text.casefold()
    assert "placebo" not in folded
    assert "propranolol" not in folded
    return text


def test_an_untouched_list_agrees(numbered: Any, pharmacist: Any) -> None:
    helpers.prepare(numbered, pharmacist)
    content, text = verify()
    assert content
    assert AllocationList.objects.get().commitment in text
    assert verify("--study", numbered.study.slug)[0]
    assert "No list is sealed" in verify("--study", "nowhere")[1]


def test_no_list_is_no_difference(study: Any) -> None:
    assert verify() == (True, "No list is sealed yet.\n")


def test_another_commitment_is_found(sealed: Any) -> None:
    tamper("UPDATE allocation_allocationlist SET commitment = repeat('0', 64)")
    found("commitment is not that of the sealed list")


def test_a_changed_or_moved_box_is_found(sealed: Any) -> None:
    one, other = ListEntry.objects.filter(position__in=(3, 4)).order_by("position")
    tamper("UPDATE allocation_listentry SET box = %s WHERE id = %s", bytes(other.box), one.pk)
    found("Number 003", "damaged or belongs to another place")
    tamper("UPDATE allocation_listentry SET box = '\\x00' WHERE id = %s", other.pk)
    assert "Number 004" in found("Number 003")


def test_a_number_sealed_anew_with_the_right_key_is_found(sealed: Any, study: Any) -> None:
    for entry in ListEntry.objects.filter(position__lte=8):
        held = gates.entry_to_verify(entry)
        other = {"active": "placebo", "placebo": "active"}[held]
        box = gates.seal_entry(other, study=study, number=entry.number)
        tamper("UPDATE allocation_listentry SET box = %s WHERE id = %s", box, entry.pk)
        found(f"Number {entry.number} is sealed differently")


def test_a_list_sealed_anew_is_found(sealed: Any, study: Any) -> None:
    """Two rows exchanged and the whole box sealed again: neither seed nor commitment fits."""
    from dataclasses import replace

    opened = gates.list_to_verify(sealed)
    arms = [row.arm for row in opened.rows]
    place = next(i for i in range(len(arms) - 1) if arms[i] != arms[i + 1])
    rows = list(opened.rows)
    rows[place], rows[place + 1] = (
        replace(rows[place], arm=arms[place + 1]),
        replace(rows[place + 1], arm=arms[place]),
    )
    box = gates.seal_list(replace(opened, rows=tuple(rows)), study=study)
    tamper("UPDATE allocation_allocationlist SET box = %s", box)
    found("another list from the sealed seed", "commitment is not that", "sealed differently")


def test_levels_places_missing_and_added_numbers_are_found(sealed: Any) -> None:
    tamper(
        "UPDATE allocation_listentry SET open_levels = '{\"story\": \"none\"}' WHERE number = '005'"
    )
    tamper("UPDATE allocation_listentry SET position = 99 WHERE number = '006'")
    tamper("DELETE FROM allocation_listentry WHERE number = '007'")
    tamper("UPDATE allocation_listentry SET number = '077' WHERE number = '008'")
    found(
        "Number 005 has other open levels", "Number 006 stands at another place",
        "Number 007 of the sealed list is missing", "Number 077 is not on the sealed list",
    )  # fmt: skip


def test_a_gap_in_the_order_of_issue_is_found(sealed: Any, study: Any, clinician: Any) -> None:
    person = helpers.ready(study, clinician)
    tamper(
        "UPDATE allocation_listentry SET participant_id = %s, issued_at = now() WHERE number = '002'",
        person.pk,
    )
    found("Number 002 was issued before an earlier number")


def test_a_kit_of_the_wrong_kind_is_found(numbered: Any, pharmacist: Any) -> None:
    kit = helpers.prepare(numbered, pharmacist)
    other = KitBatch.objects.exclude(pk=kit.batch_id).get()
    swap = Kit.objects.filter(batch=other).first()
    tamper("UPDATE allocation_kit SET batch_id = %s WHERE id = %s", swap.batch_id, kit.pk)
    found(f"Kit {kit.number} does not fit its number 001")


def test_another_key_opens_nothing(sealed: Any, settings: Any) -> None:
    settings.ALLOCATION_KEY = bytes(range(100, 132))
    found("another key")


def test_a_damaged_list_box_is_found(sealed: Any) -> None:
    box = bytearray(AllocationList.objects.get().box)
    box[-20] ^= 1
    tamper("UPDATE allocation_allocationlist SET box = %s", bytes(box))
    found("The sealed list does not open: it was changed.")


def test_list_and_practice_are_compared_by_themselves_and_only_pharmacists_learn_what_differs(
    sealed: Any, study: Any, pharmacist: Any, clinician: Any, lead: Any, client_of: Any
) -> None:
    """Field case: a ratio other than the protocol's was found from the numbers, after publication."""
    assert check_due_lists() == 1  # when it is new
    assert check_due_lists() == 0
    text = study.protocol_versions.get().document.replace(
        'name = "Placebo", ratio = 1', 'name = "Placebo", ratio = 2'
    )
    ProtocolVersion.objects.create(
        study=study, number=2, document=text, sha256=protocol_hash(text), added_at=cast.PAST
    )
    cast.confirm_limits(study, clinician)
    assert check_due_lists() == 1  # when the protocol changed
    found("Protocol version 2 has other arms, ratios or factors")
    shown = {
        name: client_of(who).get(reverse(name, args=[study.slug])).content.decode()
        for name, who in (("dispensary", pharmacist), ("commitment", lead), ("home", pharmacist))
    }
    assert "list and practice differ" in shown["dispensary"]
    assert "List and practice differ" in shown["home"]
    assert "needs the pharmacist" in shown["commitment"]
    assert "ratio" not in shown["commitment"]
