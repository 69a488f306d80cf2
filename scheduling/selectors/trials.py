"""The order of trials of one visit: drawn anew whenever it is asked for, the same each time, and checked."""

from dataclasses import dataclass

from scheduling.models import Visit
from scheduling.rules.trial_check import check_order
from scheduling.rules.trial_order import VERSION, Trial, draw_order, seed_of
from studylab.allocation.selectors import open_levels
from studylab.errors import Refused
from studylab.spreadsheets import csv_line
from studylab.studies.rules.protocol import Protocol, TrialOrder

COLUMNS = ("volunteer", "visit", "order", "place", "what", "trial", "type", "shows", "followed by stimulus", "made by")  # fmt: skip


@dataclass(frozen=True, slots=True)
class VisitTrials:
    """An order of trials of one volunteer; `unknown` names the open factors whose level is not known yet."""

    order: TrialOrder
    rows: tuple[Trial, ...]
    unknown: tuple[str, ...]


def trials_of(visit: Visit, protocol: Protocol, key: str) -> VisitTrials:
    """Return an order of trials of a visit; KeyError when it has none of that key."""
    orders = {order.key: order for order in protocol.visit(visit.number).trial_orders}
    order = orders[key]
    mine = open_levels(visit.participant)
    levels = {
        factor.key: (mine.get(factor.key, ""), factor.levels)
        for factor in protocol.allocation.open_factors
    }
    rows = draw_order(order, seed_of(visit.series.uid, visit.number, key), levels)
    wrong = check_order(order, rows)
    if wrong:
        raise Refused(
            f"The order of trials made for this visit is not as the study asks: {' '.join(wrong)} Tell the study lead."
        )
    names = {factor.key: factor.name for factor in protocol.allocation.open_factors}
    needed = {one.factor for one in order.types if one.factor and not mine.get(one.factor)}
    return VisitTrials(order, tuple(rows), tuple(names[one] for one in sorted(needed)))


def trials_csv(visit: Visit, trials: VisitTrials) -> str:
    """Return the order for the computer that shows the stimuli: one row a trial or probe alone."""
    lines = [csv_line(COLUMNS)]
    for row in trials.rows:
        lines.append(
            csv_line(
                (
                    visit.participant.code, visit.number, trials.order.key, row.place,
                    "probe alone" if row.is_probe else "trial", row.number or "", row.type_key, row.shows,
                    "yes" if row.followed else "no", VERSION,
                )
            )
        )  # fmt: skip
    return "".join(lines)
