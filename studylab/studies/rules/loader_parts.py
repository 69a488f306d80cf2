"""Reads visits and timing, allocation, supply, questions and follow-up of a study document."""

from datetime import timedelta
from typing import get_args

from studylab.studies.rules.loader_steps import read_key, read_step, read_trial_orders
from studylab.studies.rules.protocol import (
    ALLOCATION_METHODS,
    AllocationPlan,
    Arm,
    FollowUp,
    MissedRule,
    Need,
    OpenFactor,
    Question,
    Segment,
    Spacing,
    Supply,
    VisitPlan,
    Wait,
)
from studylab.studies.rules.reader import Table, shown

QUESTION_ID = r"[A-Z][A-Za-z0-9]*-[0-9]+[a-z]?"
QUESTION_RULE = (
    'Use letters, a hyphen and digits such as "S-01"; the id of a rule of the house, such as "C-35", '
    "tightens that rule."
)
MOST_HOURS = 24 * 92  # longer than any spacing between two visits
HIGHEST_DOSE_MG = 40.0


def read_visits(document: Table) -> tuple[VisitPlan, ...]:
    """Return the visits in the order of the document."""
    visits: list[VisitPlan] = []
    dosed = False  # nobody is dosed twice, so after the dose a series cannot begin again
    for row in document.tables("visits", at_least=3):
        visit = VisitPlan(
            key=read_key(row),
            number=row.whole("number", low=1, high=50),
            title=row.text("title"),
            segments=tuple(_segment(table) for table in row.tables("segments", at_least=1)),
            steps=tuple(read_step(table) for table in row.tables("steps", at_least=1)),
            payment=row.number("payment", low=0, high=100_000, default=0.0),
            trial_orders=read_trial_orders(row),
            if_missed=row.one_of(
                "if_missed", get_args(MissedRule), default="shift" if dosed else "restart"
            ),
        )
        row.close()
        visits.append(visit)
        dosed = dosed or visit.is_dosing
    return tuple(visits)


def _segment(row: Table) -> Segment:
    segment = Segment(
        key=read_key(row),
        name=row.text("name"),
        minutes=row.whole("minutes", low=1, high=1440),
        needs=_needs(row),
    )
    row.close()
    return segment


def _needs(row: Table) -> tuple[Need, ...]:
    """Return what a segment occupies: a row is a kind, or a table with kind and count."""
    needs: list[Need] = []
    for path, value in row.items("needs"):
        data = {"kind": value} if isinstance(value, str) else value
        table = Table(data, path, row.problems)
        need = Need(kind=table.text("kind"), count=table.whole("count", low=1, high=100, default=1))
        table.close()
        if need.kind and any(need.kind == other.kind for other in needs):
            message = f"{shown(need.kind)} is needed twice in this segment."
            row.problems.add(
                path, message, f'Write one row: {{ kind = "{need.kind}", count = 2 }}.'
            )
        needs.append(need)
    return tuple(needs)


def read_spacings(document: Table) -> tuple[Spacing, ...]:
    """Return the spacing rules."""
    spacings = []
    for row in document.tables("spacings", at_least=1):
        spacing = Spacing(
            start=row.text("start"),
            end=row.text("end"),
            earliest=_hours(row, "earliest_hours"),
            target=_hours(row, "target_hours"),
            latest=_hours(row, "latest_hours"),
        )
        row.close()
        ordered = spacing.earliest <= spacing.target <= spacing.latest
        if row.problems.clean(row.path) and not ordered:
            fix = "Order them: earliest_hours <= target_hours <= latest_hours."
            row.problems.add(row.path, "The three times are not in order.", fix)
        spacings.append(spacing)
    return tuple(spacings)


def _hours(row: Table, name: str) -> timedelta:
    return timedelta(hours=row.number(name, low=0, high=MOST_HOURS))


def read_waits(document: Table) -> tuple[Wait, ...]:
    """Return the waits inside visits."""
    waits = []
    for row in document.tables("waits", at_least=1):
        wait = Wait(
            visit=row.text("visit"),
            after=row.text("after"),
            before=row.text("before"),
            length=timedelta(minutes=row.whole("minutes", low=1, high=1440)),
            tolerance=timedelta(minutes=row.whole("tolerance_minutes", low=0, high=1440)),
        )
        row.close()
        waits.append(wait)
    return tuple(waits)


def read_turnaround(document: Table) -> dict[str, int]:
    """Return the minutes a place of each resource kind stays occupied after use."""
    table = document.table("turnaround")
    return {kind: table.whole(kind, low=0, high=2880) for kind in table.names()}


def read_questions(document: Table) -> tuple[Question, ...]:
    """Return the study's own questions; there may be none."""
    questions = []
    for row in document.tables("questions", at_least=0):
        question = Question(
            id=row.text("id", pattern=QUESTION_ID, rule=QUESTION_RULE),
            text=row.text("text"),
            concept=row.text("concept"),
            disposition=row.one_of("disposition", ("exclude", "physician", "hold", "note")),
            reason=row.text("reason"),
            source=row.text("source"),
            when=row.one_of("when", ("screening", "dosing_day"), default="screening"),
            flag_on=row.one_of("flag_on", ("yes", "no"), default="yes"),
            text_fr=row.text("text_fr", default=""),
        )
        row.close()
        questions.append(question)
    return tuple(questions)


def read_allocation(document: Table) -> AllocationPlan:
    """Return how the list is made."""
    table = document.table("allocation")
    arms = []
    for row in table.tables("arms", at_least=2):
        arm = Arm(read_key(row), row.text("name"), row.whole("ratio", low=1, high=20, default=1))
        row.close()
        arms.append(arm)
    factors = []
    for row in table.tables("open_factors", at_least=0):
        factor = OpenFactor(read_key(row), row.text("name"), row.texts("levels", at_least=2))
        row.close()
        factors.append(factor)
    plan = AllocationPlan(
        arms=tuple(arms),
        length=table.whole("length", low=1, high=100_000),
        strata=_strata(table),
        open_factors=tuple(factors),
        method=table.one_of("method", ALLOCATION_METHODS) if table.has("method") else None,
        block_sizes=_block_sizes(table),
    )
    table.close()
    return plan


def _block_sizes(allocation: Table) -> tuple[int, ...]:
    if not allocation.has("block_sizes"):
        return ()
    return allocation.wholes("block_sizes", at_least=1, low=1, high=1000)


def _strata(allocation: Table) -> dict[str, tuple[str, ...]]:
    if not allocation.has("strata"):
        return {}
    table = allocation.table("strata")
    return {name: table.texts(name, at_least=2) for name in table.names()}


def read_supply(document: Table) -> Supply:
    """Return what one dose is, at most `HIGHEST_DOSE_MG` in all."""
    table = document.table("supply")
    supply = Supply(
        count=table.whole("count", low=1, high=20),
        strength_mg=table.number("strength_mg", low=0, high=1000),
        form=table.text("form"),
        storage=table.text("storage"),
        way=table.one_of("way", ("stock", "number"), default="stock"),
        count_every_days=table.whole("count_every_days", low=1, high=366, default=30),
    )
    table.close()
    total = supply.count * supply.strength_mg
    if not table.problems.clean(table.path):
        return supply
    if total <= 0:
        message = "The dose comes to nothing."
        table.wrong("strength_mg", message, "Give the strength of one unit in mg, above 0.")
    if total > HIGHEST_DOSE_MG:
        message = (
            f"{supply.count} x {supply.strength_mg:g} mg is more than {HIGHEST_DOSE_MG:g} mg: "
            "a study may tighten, not loosen."
        )
        table.wrong("strength_mg", message, f"Give at most {HIGHEST_DOSE_MG:g} mg in all.")
    return supply


def read_follow_up(document: Table) -> FollowUp:
    """Return the contact after dosing."""
    table = document.table("follow_up")
    found = FollowUp(
        from_hours=table.number("from_hours", low=0, high=336),
        until_hours=table.number("until_hours", low=0, high=336),
        questions=table.texts("questions", at_least=1),
        again_after_minutes=table.whole("again_after_minutes", low=5, high=1440, default=120),
        **({"ladder": table.texts("ladder", at_least=1)} if table.has("ladder") else {}),
    )
    table.close()
    if table.problems.clean(table.path) and found.from_hours > found.until_hours:
        message = f"{found.from_hours:g} is after until_hours ({found.until_hours:g})."
        table.wrong("from_hours", message, "Set from_hours to until_hours or less.")
    return found
