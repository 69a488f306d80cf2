"""Looks at a finished order of trials and says what in it is not as the document asks.

Written apart from the drawing and sharing nothing with it: no order is shown or handed out unchecked.
"""

from collections import Counter
from collections.abc import Sequence
from itertools import groupby, pairwise

from scheduling.rules.trial_order import Trial
from studylab.studies.rules.protocol import TrialOrder


def check_order(order: TrialOrder, rows: Sequence[Trial]) -> list[str]:
    """Return every way in which the rows differ from what the document asks; none when they are right."""
    trials = [row for row in rows if row.type_key]
    return [
        *_counts(order, rows, trials),
        *_runs(order, trials),
        *_first(order, trials),
        *_probes(rows),
    ]


def _counts(order: TrialOrder, rows: Sequence[Trial], trials: Sequence[Trial]) -> list[str]:
    found = []
    every = Counter(row.type_key for row in trials)
    followed: Counter[str] = Counter()
    for row in trials:
        followed[row.type_key] += row.followed
    for key in {one.key for one in order.types} | set(every):
        asked = next((one for one in order.types if one.key == key), None)
        if asked is None:
            found.append(f"{key} is no type of this order.")
        elif (every[key], followed[key]) != (asked.count, asked.followed):
            found.append(f"{key}: {every[key]} trials, {followed[key]} of them followed.")
    if len(rows) - len(trials) != order.probes_alone:
        found.append(f"{len(rows) - len(trials)} probes alone instead of {order.probes_alone}.")
    if [row.place for row in rows] != list(range(1, len(rows) + 1)):
        found.append("The rows are not numbered one after the other.")
    if [row.number for row in trials] != list(range(1, len(trials) + 1)):
        found.append("The trials are not numbered one after the other.")
    return found


def _runs(order: TrialOrder, trials: Sequence[Trial]) -> list[str]:
    longest = max(
        (len(list(same)) for _, same in groupby(row.type_key for row in trials)), default=0
    )
    if longest > order.longest_run:
        return [f"{longest} of one type stand in a row, more than {order.longest_run}."]
    return []


def _first(order: TrialOrder, trials: Sequence[Trial]) -> list[str]:
    found = []
    if order.first and trials and trials[0].type_key not in order.first:
        found.append(f"{trials[0].type_key} comes first.")
    if order.first_followed:
        for one in order.types:
            mine = [row for row in trials if row.type_key == one.key]
            if one.followed and mine and not mine[0].followed:
                found.append(f"The first trial of {one.key} is not followed.")
    return found


def _probes(rows: Sequence[Trial]) -> list[str]:
    found = []
    if rows and (rows[0].is_probe or rows[-1].is_probe):
        found.append("A probe alone stands at an end.")
    if any(one.is_probe and other.is_probe for one, other in pairwise(rows)):
        found.append("Two probes alone follow each other.")
    if any(row.is_probe and row.followed for row in rows):
        found.append("A probe alone is followed by the stimulus.")
    return found
