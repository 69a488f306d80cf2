"""Traffic that runs freely while something is killed at moments that nobody chose; then everything is asked for again."""

import random
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from queue import Empty, Queue

from django.db import connection

from studylab.allocation.models import ListEntry
from studylab.studies.selectors import current_protocol
from tests.faults.acts import Act, Clicks, Heard
from tests.faults.record import times
from tests.faults.site import Site
from tests.faults.story import Steps, Story, local
from tests.processes import until

PEOPLE_AT_WORK = 6
CUT_OFF = 61  # seconds after which a form that nobody answered may be sent again


def a_round(
    site: Site, story: Story, steps: Steps, number: int, size: int, dice: random.Random
) -> list[Act]:
    """One batch of acts, sent by several people while things end; returns them once each is settled."""
    acts = _batch(story, steps, number, size)
    waiting: Queue[list[Act]] = Queue()
    for chain in acts:
        waiting.put(chain)
    people = [
        threading.Thread(target=_work, args=[waiting, site.port]) for _ in range(PEOPLE_AT_WORK)
    ]
    for one in people:
        one.start()
    faults: list[Callable[[], None]] = [
        site.kill_web,
        site.kill_one_web,
        site.kill_master,
        site.crash_database,
        site.forget,
    ]
    while any(one.is_alive() for one in people):
        time.sleep(dice.uniform(0.05, 0.5))
        dice.choice(faults)()
    connection.close()
    until(lambda: site.answers("/healthz/ready"))
    everything = [act for chain in acts for act in chain]
    for _ in range(3):
        site.later(CUT_OFF)
        for chain in acts:
            _send_in_order([act for act in chain if not _settled(act)], site.port)
    assert all(_settled(act) for act in everything), [
        act.said for act in everything if not _settled(act)
    ]
    for act in everything:
        assert times(act) == act.acknowledged, (act.kind, act.heard, act.said)
        assert act.acknowledged or act.kind == "booking", (
            act.said
        )  # the places went to somebody else
    return everything


def _batch(story: Story, steps: Steps, number: int, size: int) -> list[list[Act]]:
    """Acts, those of one visit behind each other."""
    found = [[story.sign_off()] for _ in range(size)]
    for turn in range(size):
        with suppress(LookupError):  # a long drive fills the calendar
            found.append([story.booking(local(9 + turn % 6, days=3 + (number + turn) % 13))])
    found += [[story.other_study(f"run{number}-{turn}")] for turn in range(size // 2)]
    taken = ListEntry.objects.filter(list__study=story.study).exclude(participant=None).count()
    if taken + size <= current_protocol(story.study).plan.target:
        found += [[story.number()] for _ in range(size)]
    found.append(_all_steps(steps))
    return found


def _all_steps(steps: Steps) -> list[Act]:
    found = []
    with suppress(StopIteration):
        while True:
            found.append(steps.next())
    return found


def _work(waiting: "Queue[list[Act]]", port: int) -> None:
    with suppress(Empty):
        while True:
            _send_in_order(waiting.get_nowait(), port)


def _send_in_order(chain: list[Act], port: int) -> None:
    """Send each until it is heard of; what comes behind one that is not waits."""
    for act in chain:
        Clicks([act], port).end()
        if not _settled(act):
            return


def _settled(act: Act) -> bool:
    return bool(act.heard) and act.heard[-1] in (Heard.DONE, Heard.REFUSED)
