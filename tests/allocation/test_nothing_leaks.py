"""No arm stands anywhere in the clear: rows, logs, refusals, broken pages (pages: see test_twins)."""

import logging
import re
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.test import Client

from studylab.access import Role
from studylab.allocation import selectors, services
from studylab.allocation.models import AllocationList, KitBatch, ListEntry
from studylab.audit.models import RowChange
from studylab.errors import StudylabError
from studylab.studies.models import ProtocolVersion
from tests import cast
from tests.allocation import worlds
from tests.allocation.worlds import ARM_NAMES, ARMS, BLINDED, World

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ARM_WORDS = [
    word.casefold() for text in (*ARMS, *ARM_NAMES) for word in text.split() if len(word) > 3
]

UID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")


def _every_page(world: World, roles: tuple[Role, ...]) -> dict[tuple[Role, str], tuple[int, bytes]]:
    seen = {}
    for role in roles:
        client = world.client(role)
        for address in worlds.pages(world):
            answer = client.get(address)
            place = UID.sub("uid", address)  # made anew in each world
            seen[role, place] = (answer.status_code, worlds.levelled(answer.content))
    return seen


def test_the_comparison_notices_a_page_that_tells(monkeypatch: pytest.MonkeyPatch) -> None:
    """The pharmacist's own pages do tell, so the worlds must differ there: the comparison is not blind."""
    chemist = (Role.PHARMACIST,)
    one = worlds.in_world(monkeypatch, lambda w: _every_page(w, chemist), swapped=False)
    other = worlds.in_world(monkeypatch, lambda w: _every_page(w, chemist), swapped=True)
    telling = {
        address.rsplit("rare-arms/", 1)[1]
        for (_, address), seen in one.items()
        if seen != other[_, address]
    }
    assert "dispensary/" in telling
    assert "dispensary/reconciliation/" in telling
    # Labels and sheets are handled by blinded people: they are the same.
    assert not [address for address in telling if "label" in address or "sheet" in address]


def test_facts_for_other_parts_are_the_same_when_all_arms_are_swapped(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def facts(world: World) -> list[Any]:
        return [
            (selectors.kit_fact(one), selectors.open_levels(one), selectors.entry_of(one).number)
            for one in world.volunteers
        ]

    assert worlds.in_world(monkeypatch, facts, swapped=False) == worlds.in_world(
        monkeypatch, facts, swapped=True
    )


@pytest.mark.shows("B-06")
def test_block_sizes_and_places_are_on_no_blinded_page(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = worlds.in_world(monkeypatch, lambda w: _every_page(w, BLINDED), swapped=False)
    for place, (_status, body) in seen.items():
        assert not re.search(rb"(?<![-\w])blocks?\b|permuted", body.lower()), place


def _found(text: str) -> list[str]:
    folded = text.casefold()
    as_bytes = [word.encode().hex() for word in (*ARMS, *ARM_NAMES)]
    return [word for word in (*ARM_WORDS, *as_bytes) if word in folded]


@pytest.mark.shows("B-04")
def test_no_row_of_any_table_holds_an_arm(monkeypatch: pytest.MonkeyPatch) -> None:
    """All rows as text; only the protocol document names the arms, without saying who is in which."""

    def look(world: World) -> dict[str, list[str]]:
        _every_page(world, tuple(Role))
        dump = worlds.every_row()
        assert _found(dump.pop("studies_protocolversion"))
        named = RowChange.objects.filter(table_name="studies_protocolversion")
        dump["audit_rowchange"] = str(
            list(RowChange.objects.exclude(pk__in=named).values_list("table_name", "old", "new"))
        )
        assert len(dump["allocation_kitmovement"]) > 1000
        return {table: _found(text) for table, text in dump.items() if _found(text)}

    assert worlds.in_world(monkeypatch, look, swapped=False) == {}


@pytest.mark.shows("B-04")
def test_sealed_values_are_equally_long_and_never_equal(monkeypatch: pytest.MonkeyPatch) -> None:
    def look(_world: World) -> tuple[set[int], set[int], int, int, int]:
        entries = [bytes(box) for box in ListEntry.objects.values_list("box", flat=True)]
        batches = [bytes(box) for box in KitBatch.objects.values_list("box", flat=True)]
        whole = len(bytes(AllocationList.objects.get().box))
        return (
            {len(b) for b in entries},
            {len(b) for b in batches},
            len(set(entries)),
            len(entries),
            whole,
        )

    one = worlds.in_world(monkeypatch, look, swapped=False)
    assert len(one[0]) == len(one[1]) == 1
    assert one[2] == one[3] == 60
    assert one == worlds.in_world(monkeypatch, look, swapped=True)


@pytest.mark.shows("B-01")
def test_logs_and_refusals_hold_no_arm(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, settings: Any
) -> None:
    texts: list[str] = []

    def look(world: World) -> None:
        chemist = cast.actor_of(world.people[Role.PHARMACIST], world.study)
        clinician = cast.actor_of(world.people[Role.CLINICIAN], world.study)
        settings.ALLOCATION_KEY = bytes(range(32))
        waiting = world.volunteers[5]
        for act in (
            lambda: services.kit_prepare(participant=waiting, actor=chemist),
            lambda: services.code_open(
                participant=waiting, kind="emergency", reason="r", told="t",
                password=cast.PASSWORD, actor=clinician,
            ),
            lambda: call_command("verify_allocation"),
        ):  # fmt: skip
            with pytest.raises((StudylabError, CommandError)) as problem:
                act()
            texts.extend(repr(one) for one in _chain(problem.value))
            if isinstance(problem.value, StudylabError):
                assert "another key" in problem.value.message

    with caplog.at_level(logging.DEBUG):
        worlds.in_world(monkeypatch, look, swapped=False)
    assert len(texts) >= 3
    assert not _found(" ".join(texts) + caplog.text)


def _chain(problem: BaseException | None) -> list[BaseException]:
    found: list[BaseException] = []
    while problem is not None:
        found.append(problem)
        problem = problem.__cause__ or problem.__context__
    return found


def test_a_page_that_breaks_after_the_opening_shows_and_logs_no_arm(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from studylab.allocation.views import opening

    def broken(_request: Any, template: str, context: Any = None, **_more: Any) -> None:
        assert template == "allocation/code_opened.html"
        raise RuntimeError(f"cannot draw {context['opened']}")

    def look(world: World) -> Any:
        client = Client(raise_request_exception=False)
        client.force_login(world.people[Role.CLINICIAN])
        address = [a for a in worlds.pages(world) if a.endswith("open-code/")][1]
        monkeypatch.setattr(opening, "render", broken)
        form = {
            "purpose": "treat",
            "reason": "Collapse",
            "told": "Dr Roe",
            "password": cast.PASSWORD,
        }
        return client.post(address, form)

    answer = worlds.in_world(monkeypatch, look, swapped=False)
    assert answer.status_code == 500
    assert "cannot draw OpenedCode" in caplog.text
    assert not _found(answer.content.decode() + caplog.text)
    assert ProtocolVersion.objects.count() == 0
