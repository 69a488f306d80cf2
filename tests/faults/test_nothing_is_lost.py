"""Forms sent to real web processes while everything under them is killed: nothing acknowledged is lost, nothing is half
done, nothing happens twice.

Each act is stopped at two points, and there something ends at once: in its middle, before it is committed, and behind
that, before the browser has its answer. The browser, which heard nothing, sends the same form once more.
"""

import os
import random
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from celery import Celery
from django.db import connection

from studylab.audit.models import Event, Link
from tests.faults.acts import Act, Clicks, Heard
from tests.faults.free_run import CUT_OFF, a_round
from tests.faults.record import answered, nothing_is_half_done, times
from tests.faults.site import Held, Site, stand_still
from tests.faults.story import Dosing, Steps, Story, local
from tests.processes import until

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.redis, pytest.mark.slow]
STARTS = [local(9, 15 * turn) for turn in range(4)]


def test_nothing_acknowledged_is_lost_nothing_half_done_nothing_twice(site: Site) -> None:
    story = Story()
    dosings = story.dosing(STARTS)
    steps, more_steps = (story.steps(local(7, minute)) for minute in (15, 30))
    site.at(local(9, 45))
    site.open()
    ledger: list[Act] = []
    turns = [
        (before, site.kill_web), (behind, site.kill_master), (before, site.crash_database), (behind, site.crash_database),
    ]  # fmt: skip
    for turn, (where, fault) in enumerate(turns):
        site.at(dosings[turn].at - timedelta(minutes=1))
        acts = one_of_each(story, turn, dosings[turn], steps)
        where(site, acts, fault)
        not_yet(site, acts)
        if where is before:
            acts += at_once_with_rivals(site, story, acts)
        for _ in range(2):
            sent_again(site, acts)
        ledger += acts
    ledger += running_freely(site, story, more_steps)
    the_chain_is_sealed(site)
    every_thread_answers_after_a_restart(site)
    assert [act.kind for act in ledger if act.acknowledged and times(act) != 1] == []
    assert sum(act.acknowledged for act in ledger) >= 24
    nothing_is_half_done()


def running_freely(site: Site, story: Story, steps: Steps) -> list[Act]:
    """One small round, or rounds for STUDYLAB_FAULTS_SECONDS; STUDYLAB_FAULTS_SEED runs the same chances again."""
    seconds = int(os.environ.get("STUDYLAB_FAULTS_SECONDS", "0"))
    seed = int(os.environ.get("STUDYLAB_FAULTS_SEED", "20261129"))
    until_ = time.monotonic() + seconds
    found = a_round(site, story, steps, 0, 8 if seconds else 2, random.Random(seed))
    while time.monotonic() < until_:
        print(f"{len(found)} acts so far")
        number = len(found)
        found += a_round(site, story, steps, number, 8, random.Random(seed + number))
    return found


def one_of_each(story: Story, turn: int, dosing: Dosing, steps: Steps) -> list[Act]:
    """What goes on at the same time."""
    return [
        story.number(), story.booking(local(9, days=7 + 3 * turn)), story.sign_off(), steps.next(),
        story.other_study(f"other{turn}"), dosing.ready(),
    ]  # fmt: skip


def before(site: Site, acts: list[Act], fault: Callable[[], None]) -> None:
    """All stand in the middle of their transactions; then something ends at once, and none of them is on record."""
    held = Held("audit_event")
    clicks = Clicks(acts, site.port)
    stand_still(len(acts))
    fault()
    held.let_go()
    assert set(clicks.end()) == {Heard.NOTHING}
    connection.close()
    until(nobody_writes)
    assert [times(act) for act in acts] == [0] * len(acts)


def behind(site: Site, acts: list[Act], fault: Callable[[], None]) -> None:
    """All are committed and none is answered; then something ends at once."""
    held = Held("audit_event")
    clicks = Clicks(acts, site.port)
    stand_still(len(acts))
    answers = Held("audit_submission")
    held.let_go()
    until(
        lambda: [times(act) for act in acts] == [1] * len(acts), lambda: [act.said for act in acts]
    )
    fault()
    answers.cut_off()
    assert set(clicks.end()) == {Heard.NOTHING}
    connection.close()
    until(nobody_writes)
    assert answered(acts) == 0
    assert [times(act) for act in acts] == [1] * len(acts)


def nobody_writes() -> bool:
    """Whether nothing of what was killed goes on in the database."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
            " AND state <> 'idle'"
        )
        return cursor.fetchone() == (0,)


def not_yet(site: Site, acts: list[Act]) -> None:
    """The same forms once more are not taken while the first ones might still be worked on."""
    until(lambda: site.answers("/healthz/ready"))
    assert Counter(Clicks(acts, site.port).end()) == {Heard.STILL: len(acts)}, said(acts)
    site.later(CUT_OFF)


def at_once_with_rivals(site: Site, story: Story, acts: list[Act]) -> list[Act]:
    """Two people at two pages want the same: a number, a dose, a step, a list, the same places. One of both has it."""
    pairs = [(act, story.rival(act)) for act in acts if act.kind != "sign_off"]
    held = Held("audit_event")
    clicks = Clicks([act for pair in pairs for act in pair], site.port)
    stand_still(2 * len(pairs) - 2)  # some hear that they are second before they write
    held.let_go()
    clicks.end()
    for mine, theirs in pairs:
        here = {mine.about, theirs.about}
        assert sum(times(one) for one in (mine, theirs)) == (1 if len(here) == 2 else 2), said(
            [mine, theirs]
        )
        if mine.kind != "number":  # whose page says on the next one what became of it
            assert {mine.heard[-1], theirs.heard[-1]} == {Heard.DONE, Heard.REFUSED}, said(
                [mine, theirs]
            )
    return [theirs for _, theirs in pairs]


def sent_again(site: Site, acts: list[Act]) -> None:
    """The same forms once more: what was not done is done once, what was done stays, and what was refused stays out."""
    refused = [act for act in acts if act.heard[-1] is Heard.REFUSED]
    Clicks(acts, site.port).end()
    for act in acts:
        assert act.heard[-1] is (Heard.REFUSED if act in refused else Heard.DONE), act.said
        assert act in refused or times(act) == 1


def said(acts: list[Act]) -> list[str]:
    """What was answered last, for a failure's report."""
    return [f"{act.kind}: {act.said}" for act in acts]


def every_thread_answers_after_a_restart(site: Site) -> None:
    """Sessions that were idle when PostgreSQL ended are found dead before a page needs them, not by a page that breaks."""

    def all_ready() -> list[bool]:
        with ThreadPoolExecutor(12) as threads:
            return list(threads.map(site.answers, ["/healthz/ready"] * 12))

    assert all(all_ready())
    site.crash_database()
    connection.close()
    assert all(all_ready())


def the_chain_is_sealed(site: Site) -> None:
    """A worker is killed in the middle of sealing, Redis forgets; the next one seals everything once."""
    sender = Celery("sender", broker=site.broker.url)
    worker = site.crew.worker("solo")
    held = Held("audit_link")
    sender.send_task("audit.seal")
    stand_still(1)
    site.crew.kill(worker)
    site.broker.client.flushall()
    held.let_go()
    until(nobody_writes)
    assert not Link.objects.exists()
    for _ in range(2):
        site.crew.worker("solo")
        sender.send_task("audit.seal")
    until(lambda: Link.objects.count() == Event.objects.count())
