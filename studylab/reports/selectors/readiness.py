"""What a study still lacks before somebody can be dosed, and who can bring it."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.conf import settings

from scheduling.models import Resource
from scheduling.selectors.today import cover_now
from screening.rules.words import words_for
from screening.selectors.inputs import table_of
from studylab.access import ROLE_NAMES, Actor, Cap, Role
from studylab.allocation.models import KitMovement
from studylab.allocation.selectors import list_state
from studylab.allocation.selectors.blinding import drill_valid_until
from studylab.people.selectors import holding_on, today_in
from studylab.studies.models import Study
from studylab.studies.selectors import CurrentProtocol, current_protocol


@dataclass(frozen=True, slots=True)
class Lacking:
    """One thing that is missing; `page` is where whoever has `cap` brings it."""

    what: str
    text: str
    cap: Cap
    page: str
    where: dict[str, Any] = field(default_factory=dict)


def lacking(study: Study, actor: Actor, at: datetime) -> list[Lacking]:
    """Return what is missing and the actor's to bring."""
    protocol = current_protocol(study)
    found = (
        *_papers(study, protocol),
        *_practice(study, actor, at),
        *_people(study, at),
        *_things(protocol),
    )
    return [one for one in found if actor.may(one.cap)]


def _papers(study: Study, protocol: CurrentProtocol) -> Iterator[Lacking]:
    if not protocol.confirmed:
        number = protocol.version.number
        yield Lacking(
            f"Limits of protocol version {number}", "Confirm them by signature; until then dosing is refused.",
            Cap.LIMITS_CONFIRM, "limits_confirm", {"number": number},
        )  # fmt: skip
    state = list_state(study)
    if not state.check_agrees:
        yield Lacking(
            "List and practice differ", "Compare them now: something was not done as the list says.",
            Cap.LIST_MANAGE, "list_seal",
        )  # fmt: skip
    if not state.sealed:
        yield Lacking(
            "Allocation list", "Seal it; until then no number can be issued.", Cap.LIST_MANAGE, "list_seal"
        )  # fmt: skip
    for language, number in _untranslated(study, protocol):
        yield Lacking(
            f"Texts for volunteers in {language}",
            f"{number} {'text is' if number == 1 else 'texts are'} missing in the study document, so the pages that show them are offered in English only.",
            Cap.SETUP_EDIT, "protocol_add",
        )  # fmt: skip
    if not KitMovement.objects.filter(kit__study=study, what="receive").exists():
        yield Lacking("Kits", "None were received yet.", Cap.DISPENSE, "kits_receive")


def _untranslated(study: Study, protocol: CurrentProtocol) -> Iterator[tuple[str, int]]:
    """Yield each language that the study offers and lacks, with how many texts are missing."""
    table = table_of(protocol)
    for code, name in settings.LANGUAGES:
        if code not in (study.languages or []):
            continue
        questions = words_for(code, protocol.plan.questions).lacking(table, "screening")
        missing = [*questions, *protocol.plan.texts.lacking(code)]
        if missing:
            yield name, len(missing)


def _practice(study: Study, actor: Actor, at: datetime) -> Iterator[Lacking]:
    until = drill_valid_until(study, actor.user_id or 0)
    if until is None or until < at:
        yield Lacking(
            "Opening a code", "Practise it once on your phone, from outside the lab: no dose is given while you are on cover without.", Cap.CODE_OPEN, "drill"
        )  # fmt: skip


def _people(study: Study, at: datetime) -> Iterator[Lacking]:
    held = set(
        study.memberships.filter(holding_on(today_in(study.timezone))).values_list(
            "role", flat=True
        )
    )
    for role in Role:
        if role.value not in held:
            yield Lacking(
                ROLE_NAMES[role], "Nobody holds this role today.", Cap.PEOPLE_MANAGE, "people"
            )
    if not cover_now(study, at):
        yield Lacking("Physician cover", "No physician is checked in now.", Cap.SIGN_OFF, "cover")


def _things(protocol: CurrentProtocol) -> Iterator[Lacking]:
    """Yield the kinds of rooms, people and things that the protocol needs and nothing bookable has."""
    there = Resource.objects.filter(is_active=True, openings__isnull=False)
    kinds = set(there.values_list("kind", flat=True))
    plan = protocol.plan
    wanted = {need.kind for visit in plan.visits for part in visit.segments for need in part.needs}
    for kind in sorted(wanted - kinds):
        yield Lacking(
            kind.capitalize(), "Nothing of this kind has opening hours yet.", Cap.SETUP_EDIT, "resources"
        )  # fmt: skip
