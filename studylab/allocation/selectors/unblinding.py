"""The state of the unblinding, and the opened list with what it says about the blind."""

from collections import Counter
from dataclasses import dataclass, field

from django.views.decorators.debug import sensitive_variables

from studylab.access import Actor
from studylab.allocation.gates import opened_list
from studylab.allocation.models import AllocationList, DataLock, Guess, ListEntry, ListOpening
from studylab.allocation.rules.indices import Index, Told, bang, james
from studylab.allocation.rules.sealed_list import (
    EntrySeen,
    all_rows,
    canonical,
    commitment,
    numbers_for,
    remade,
)
from studylab.spreadsheets import csv_line
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Arm
from studylab.studies.selectors import plan_of


@dataclass(frozen=True, slots=True)
class OpeningState:
    """How far the unblinding is. `opening.agreed_at` tells whether the list is open."""

    sealed: AllocationList | None
    lock: DataLock | None
    opening: ListOpening | None

    @property
    def is_open(self) -> bool:
        """Whether two people have signed."""
        return self.opening is not None and self.opening.agreed_at is not None


@dataclass(frozen=True, slots=True)
class OpenedRow:
    """One number of the opened list."""

    number: str
    stratum: str
    arm_name: str = field(repr=False)
    open_levels: tuple[tuple[str, str], ...]
    code: str
    factor_levels: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Opened:
    """The opened list: its file, whether it is the one that was sealed, and its rows."""

    file: bytes = field(repr=False)
    published: str
    found: str
    remade: tuple[str, ...]
    rows: tuple[OpenedRow, ...] = field(repr=False)

    @property
    def table(self) -> str:
        """The rows as CSV."""
        columns = (
            "number",
            "stratum",
            "volunteer",
            "arm",
            "open levels",
            "levels balanced by minimisation",
        )
        lines = [csv_line(columns)]
        for row in self.rows:
            levels, factors = (
                "; ".join(f"{name}={level}" for name, level in pairs)
                for pairs in (row.open_levels, row.factor_levels)
            )
            lines.append(
                csv_line((row.number, row.stratum, row.code, row.arm_name, levels, factors))
            )
        return "".join(lines)

    @property
    def agrees(self) -> bool:
        """Whether the file's SHA-256 is the published commitment and the generator makes the same list."""
        return self.found == self.published and not self.remade


@dataclass(frozen=True, slots=True)
class GuessTable:
    """What volunteers or experimenters believed, by arm: people who named each arm, and don't know."""

    teller: str
    rows: tuple[tuple[str, tuple[int, ...]], ...]  # arm name, then counts by arm and unknown
    james: Index | None
    bang: tuple[tuple[str, Index | None], ...]


def opening_state(study: Study) -> OpeningState:
    """Return lock, opening and list of the study; nothing sealed is loaded."""
    sealed = AllocationList.objects.defer("box").filter(study=study).first()
    lock = DataLock.objects.select_related("signature").filter(study=study).first()
    opening = (
        ListOpening.objects.select_related("asking", "agreeing", "asked_by", "agreed_by")
        .filter(list__study=study)
        .first()
    )
    return OpeningState(sealed, lock, opening)


def read_opened(opening: ListOpening, actor: Actor) -> Opened:
    """Return the opened list to anybody of the study; CannotOpen before two people have signed."""
    opened = opened_list(opening, actor=actor)
    sealed = AllocationList.objects.select_related("protocol_version").get(pk=opening.list_id)
    plan = plan_of(sealed.protocol_version).allocation
    entries = list(ListEntry.objects.filter(list=sealed).select_related("participant").defer("box"))
    seen = [_seen(entry) for entry in entries]
    rows = all_rows(opened, plan, seen)
    numbers = numbers_for((row.stratum, row.position) for row in rows)
    names = {arm.key: arm.name for arm in plan.arms} | {"": "not issued"}
    held = {entry.number: entry for entry in entries}
    table = tuple(
        OpenedRow(
            number,
            row.stratum,
            names[row.arm],
            row.open_levels,
            held[number].participant.code if held[number].participant else "",  # type: ignore[union-attr]
            tuple(held[number].factor_levels.items()),
        )
        for number, row in zip(numbers, rows, strict=True)
        if number in held
    )
    return Opened(
        file=canonical(opened, plan),
        published=sealed.commitment,
        found=commitment(opened, plan),
        remade=tuple(remade(opened, plan, sealed.generator_version)),
        rows=table,
    )


@sensitive_variables()
def people_by_arm(study: Study, actor: Actor) -> dict[str, list[str]]:
    """Return arm names in the protocol's order, each with the codes of who holds its numbers.

    Empty while the list is sealed; opened by the gate like the list itself.
    """
    opening = opening_state(study).opening
    if opening is None or opening.agreed_at is None:
        return {}
    opened = opened_list(opening, actor=actor)
    sealed = AllocationList.objects.select_related("protocol_version").get(pk=opening.list_id)
    plan = plan_of(sealed.protocol_version).allocation
    entries = list(ListEntry.objects.filter(list=sealed).select_related("participant").defer("box"))
    rows = all_rows(opened, plan, [_seen(entry) for entry in entries])
    numbers = numbers_for((row.stratum, row.position) for row in rows)
    arm_of = {number: row.arm for number, row in zip(numbers, rows, strict=True)}
    found: dict[str, list[str]] = {arm.key: [] for arm in plan.arms}
    for entry in entries:
        if entry.participant is not None:
            found[arm_of[entry.number]].append(entry.participant.code)
    return {arm.name: found[arm.key] for arm in plan.arms}


def _seen(entry: ListEntry) -> EntrySeen:
    return EntrySeen(
        entry.number,
        entry.stratum,
        entry.position,
        tuple(entry.open_levels.items()),
        entry.participant_id is not None,
        None,
        tuple(entry.factor_levels.items()),
    )


@sensitive_variables("opened")
def guess_tables(opening: ListOpening, opened: Opened) -> list[GuessTable]:
    """Return, for volunteers and experimenters, what they believed against what it was."""
    study = opening.list.study
    arms = plan_of(opening.list.protocol_version).allocation.arms
    arm_of = {row.code: row.arm_name for row in opened.rows if row.code}
    guesses = Guess.objects.filter(participant__study=study).select_related("participant")
    return [
        _table(
            f"{label} {Guess.Stage(stage).label}",
            [g for g in guesses if (g.teller, g.stage) == (teller, stage)],
            arm_of,
            arms,
        )
        for teller, label in Guess.Teller.choices
        for stage in Guess.Stage.values
    ]


def _table(
    label: str, guesses: list[Guess], arm_of: dict[str, str], arms: tuple[Arm, ...]
) -> GuessTable:
    counted = Counter(
        (arm_of[g.participant.code], g.arm_place) for g in guesses if g.participant.code in arm_of
    )
    places = [*range(1, len(arms) + 1), 0]
    rows = tuple((arm.name, tuple(counted[arm.name, place] for place in places)) for arm in arms)
    if len(arms) != 2:  # both indices are defined for two arms
        return GuessTable(label, rows, None, ())
    told = [Told(*counts) for _, counts in rows]
    by_arm = tuple(
        (name, bang(one, first=place == 0))
        for place, ((name, _), one) in enumerate(zip(rows, told, strict=True))
    )
    return GuessTable(label, rows, james(*told), by_arm)
