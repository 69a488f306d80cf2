"""The forecast against published figures, closed forms and a thousand simulated studies."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from studylab.reports.rules.forecast import (
    Rate,
    Standing,
    first_rate,
    forecast,
    learnt,
    people_within,
    weeks_until,
)

# Simon's worked data (Gajewski, Simon and Carlson 2008, read on the author's pages; check-values 5), in days.
SIMON = learnt(Rate(0.5 * 350, 0.5 * 1095), 41, 239)
LAB = learnt(Rate(2, 4), 9, 6)


def test_the_rate_learns_as_in_the_published_case() -> None:
    assert Rate(216, 786.5) == SIMON
    assert SIMON.mean == pytest.approx(0.2746344565)


def test_remaining_time_is_the_published_one() -> None:
    found = [weeks_until(SIMON, 309, share) for share in (0.025, 0.5, 0.975)]
    assert found == pytest.approx([946.70406699, 1125.65505796, 1340.82851563])


def test_the_number_to_come_is_the_published_one() -> None:
    ahead = people_within(SIMON, 856)
    assert ahead.mean() == pytest.approx(235.0870947235)
    assert ahead.std() == pytest.approx(22.1573450080)
    assert list(ahead.ppf([0.025, 0.5, 0.975])) == [193, 235, 280]


def test_a_small_lab_by_its_exact_fractions() -> None:
    """Negative binomial by hand, check-values 5."""
    ahead = people_within(LAB, 4)
    assert ahead.pmf(0) == pytest.approx(48828125 / 1977326743)
    assert ahead.sf(4) == pytest.approx(0.4352055305)
    assert list(ahead.ppf([0.05, 0.5, 0.95])) == [1, 4, 9]
    found = [weeks_until(LAB, 15, share) for share in (0.05, 0.1, 0.5, 0.9, 0.95)]
    assert found == pytest.approx([7.1478948117, 8.2575927734, 13.7487355839, 23.2102213713, 27.0572045688])  # fmt: skip


def test_time_and_number_say_the_same() -> None:
    for people, weeks in ((3, 2.0), (15, 13.0), (40, 60.0)):
        chance = people_within(LAB, weeks).sf(people - 1)
        assert weeks_until(LAB, people, chance) == pytest.approx(weeks)


EVERYBODY = Standing(  # all pass, all finish, at once, with room for all: only the rate is unknown
    target=15, rate=LAB, passed=10**9, failed=0, completed=0, left=0, running=0, screening=0, unbooked=0,
    booked_weeks=0, delays=(), free=(10**6,),
)  # fmt: skip


def test_drawing_agrees_with_the_closed_form_when_everybody_finishes() -> None:
    standing = replace(EVERYBODY, completed=10**9, target=10**9 + 15)
    found = forecast(standing, draws=40_000)
    assert found is not None
    exact = [weeks_until(LAB, 15, share) for share in (0.1, 0.5, 0.9)]
    assert [found.low, found.middle, found.high] == pytest.approx(exact, rel=0.03)
    assert found.to_come == pytest.approx(15, rel=1e-6)
    assert forecast(standing) == forecast(standing), "the same record gives the same forecast"


def test_the_calendar_holds_the_date_up_and_an_empty_one_leaves_nothing_to_say() -> None:
    plain = replace(EVERYBODY, completed=10**9, target=10**9 + 15)
    free = forecast(plain)
    tight = forecast(replace(plain, free=(1, 0, 0, 0)))  # a quarter of a series a week
    assert free is not None
    assert tight is not None
    assert tight.low >= 4 + 14 / 0.25 - 1e-9
    assert (tight.by_calendar, free.by_calendar) > (0.99, 0.0)
    assert forecast(replace(plain, free=(0, 0))) is None


def test_nothing_more_is_waited_for_when_the_target_is_reached() -> None:
    done = replace(EVERYBODY, completed=15)
    found = forecast(done)
    assert found is not None
    assert (found.low, found.high, found.to_come) == (0, 0, 0)


def test_a_planned_period_weighs_a_tenth_of_itself() -> None:
    planned = first_rate(48, 24)
    assert planned.weeks == pytest.approx(2.4)
    assert planned.mean == pytest.approx(8)  # 2 a week finish when a quarter of those who come do
    assert first_rate(48, None).weeks == 0.1


def simulated(chance: np.random.Generator) -> tuple[Standing, float] | None:
    """Return one study as it stands after some weeks, and when its last visit will truly be."""
    a_week, passing, finishing = chance.uniform(1, 8), chance.uniform(0.3, 0.9), chance.uniform(0.75, 1)  # fmt: skip
    weeks, took, target = chance.uniform(6, 25), 3.0, int(chance.integers(20, 80))
    comes = np.cumsum(chance.exponential(1 / a_week, 4000))
    passes = chance.random(4000) < passing
    finishes = passes & (chance.random(4000) < finishing)
    seen, settled = comes <= weeks, comes + took <= weeks
    truth = float(comes[np.flatnonzero(finishes)[target - 1]] + took - weeks)
    if truth <= took:
        return None  # nobody has to come any more: there is nothing to forecast
    standing = Standing(
        target=target, rate=learnt(first_rate(target, None), int(seen.sum()), weeks),
        passed=int((settled & passes).sum()), failed=int((settled & ~passes).sum()),
        completed=int((settled & finishes).sum()), left=int((settled & passes & ~finishes).sum()),
        running=0, screening=int((seen & ~settled).sum()), unbooked=0, booked_weeks=0.0,
        delays=(took,), free=(10_000,) * 4,
    )  # fmt: skip
    return standing, truth


@pytest.mark.slow
def test_four_of_five_simulated_studies_end_inside_their_interval() -> None:
    chance, inside, early, studies = np.random.default_rng(7), 0, 0, 0
    while studies < 1000:
        made: Any = simulated(chance)
        if made is None:
            continue
        standing, truth = made
        found = forecast(standing, seed=studies, draws=1000)
        assert found is not None
        studies += 1
        inside += found.low <= truth <= found.high
        early += truth < found.low
    assert 750 <= inside <= 850
    assert 50 <= early <= 150, "what is missed lies on both sides"
