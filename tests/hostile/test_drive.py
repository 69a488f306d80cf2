"""Hostile input: every form and address under what no browser of ours sends, for every role.

A few hundred requests in each run of the suite, about 30 s of processor time; STUDYLAB_HOSTILE=100000 sends that many
(half an hour and more) and prints what came of them, STUDYLAB_HOSTILE_SEED=2 sends others.
"""

import os
from collections.abc import Iterator
from itertools import islice
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studylab import clock
from tests.access.foreign import Apart
from tests.hostile.drive import Drive, Tally, finish
from tests.hostile.report import faults_of, table
from tests.hostile.scene import VISITORS, build_scene

pytestmark = [pytest.mark.django_db, pytest.mark.slow]
MANY = int(os.environ.get("STUDYLAB_HOSTILE", "0"))
SEED = int(os.environ.get("STUDYLAB_HOSTILE_SEED", "1"))
SWEEP = os.environ.get("STUDYLAB_HOSTILE_SWEEP", "1") == "1"
FEW = 25  # conversations of each visitor


@pytest.fixture
def drive(apart: Apart) -> Iterator[Drive]:
    """Everybody at their browsers, at the moment of the world."""
    with clock.travel(apart.world.now):
        made = Drive(build_scene(apart))
        with made.ears:
            yield made
        finish()


@pytest.mark.parametrize("name", VISITORS)
def test_nothing_breaks_and_nothing_is_written_that_may_not_be(drive: Drive, name: str) -> None:
    """A seed tells the whole conversation, so that hypothesis finds the smallest that breaks, and the same again."""
    visitor = next(one for one in drive.scene.visitors if one.name == name)

    @settings(max_examples=FEW, derandomize=True, database=None)
    @given(st.integers(0, 2**32))
    def talk(seed: int) -> None:
        drive.forget()
        drive.conversation(visitor, Random(seed))
        assert drive.tally.faults == [], faults_of(drive.tally)

    talk()
    assert drive.tally.asked >= FEW


@pytest.mark.skipif(not MANY, reason="sends as many requests as STUDYLAB_HOSTILE says")
def test_a_long_drive(drive: Drive, capfd: Any) -> None:
    number, said = SEED * 1_000_000, 0
    sweeps = [drive.sweep(visitor) for visitor in drive.scene.visitors] if SWEEP else []
    while drive.tally.asked < MANY:
        for visitor in drive.scene.visitors:
            number += 1
            drive.conversation(visitor, Random(number))
        for sweep in sweeps:
            for _ in islice(sweep, 3):
                pass
        if drive.tally.asked // 1000 > said:
            said = drive.tally.asked // 1000
            _print(capfd, drive.tally)
    _print(capfd, drive.tally)
    assert len(drive.tally.faults) == 0


def _print(capfd: Any, tally: Tally) -> None:
    """Say what came of it so far, so that a drive can be ended at any time."""
    with capfd.disabled():
        print(table(tally), faults_of(tally), sep="\n", flush=True)
