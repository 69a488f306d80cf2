"""Two thousand messages while everything breaks in turn: each is sent once, or somebody is asked about it."""

import os
import signal
from collections import Counter
from datetime import timedelta

import pytest

from studylab import clock
from studylab.operation.models import ProcessBeat
from studylab.operation.status import status_lines
from studylab.outbox.compose import mail_key
from studylab.outbox.models import Message
from studylab.outbox.rules.return_path import number_in
from studylab.outbox.rules.states import NEEDS_PERSON, State
from studylab.outbox.selectors.messages import needs_person
from studylab.outbox.services.sending import ask_about_interrupted
from tests.outbox.faults.crowd import MANY, names
from tests.outbox.faults.scene import A_BIT, HELD, Scene
from tests.processes import until

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.redis, pytest.mark.slow]
HOUR = timedelta(hours=1)
SENT_LATER = ("taken", "later", "content_later", "broken", "slowrcpt")
REFUSED = ("refused", "content_refused")


def test_each_is_sent_once_or_somebody_is_asked(scene: Scene) -> None:
    scene.begin()
    a_stubborn_server(scene, 250)
    a_child_killed_before_the_mail_is_taken(scene, 250)
    a_worker_and_a_scheduler_killed_after_it_is_taken(scene, 250)
    redis_forgets(scene, 250)
    redis_dies(scene, 250)
    postgresql_ends_in_order(scene, 250)
    postgresql_crashes(scene, 250)
    clocks_jump(scene, 250)
    nothing_is_left_to_do(scene)
    every_message_is_accounted_for(scene)


def a_stubborn_server(scene: Scene, many: int) -> None:
    scene.tell(many)
    scene.settle()


def a_child_killed_before_the_mail_is_taken(scene: Scene, many: int) -> None:
    scene.hold(4, after=False, of=many)
    held = list(scene.sink.held)
    os.kill(scene.crew.child(scene.workers[0]), signal.SIGKILL)
    until(lambda: len(scene.sink.held) == 3)
    scene.let_go()
    numbers = [number_in([one], mail_key()) for one in held]
    until(lambda: scene.states(numbers).count("sent") == 3, scene.stands)
    assert scene.states(numbers) == ["sending", "sent", "sent", "sent"]
    scene.jump(A_BIT)
    scene.settle()
    assert scene.states(numbers) == ["question", "sent", "sent", "sent"]


def a_worker_and_a_scheduler_killed_after_it_is_taken(scene: Scene, many: int) -> None:
    scene.hold(4, after=True, of=many)
    numbers = [number_in([one], mail_key()) for one in scene.sink.held]
    scene.crew.kill(scene.workers[1])
    scene.crew.kill(scene.beats[0])
    until(lambda: len(scene.sink.held) == 3)
    scene.let_go()
    scene.workers[1] = scene.crew.worker("solo")
    scene.beats[0] = scene.crew.beat()
    until(lambda: scene.states(numbers).count("sent") == 3, scene.stands)
    scene.jump(A_BIT)
    scene.settle()
    assert scene.states(numbers) == ["question", "sent", "sent", "sent"]


def redis_forgets(scene: Scene, many: int) -> None:
    scene.hold(4, after=False, of=many)
    scene.broker.client.flushall()
    scene.let_go()
    until(lambda: not Message.objects.filter(state=State.SENDING).exists(), scene.stands)
    assert Message.objects.filter(state=State.CLAIMED).count() > many / 2
    scene.jump(A_BIT)
    scene.settle()


def redis_dies(scene: Scene, many: int) -> None:
    """While workers have taken messages that they cannot acknowledge any more. All must be heard of again."""
    scene.hold(4, after=True, of=many - 30)
    scene.broker.kill()
    numbers = scene.let_go()
    scene.broker.start()
    until(lambda: scene.states(numbers) == ["sent"] * 4, scene.stands)
    scene.jump(A_BIT)
    scene.settle()
    scene.hold(4, after=True, of=30)
    scene.let_go()
    scene.settle()


def postgresql_ends_in_order(scene: Scene, many: int) -> None:
    scene.hold(4, after=True, of=many)
    numbers = scene.restart_database(signal.SIGINT, meanwhile=1)
    assert len(numbers) == 4
    until(lambda: scene.states(numbers) == ["sent"] * 4, scene.stands)
    scene.jump(A_BIT)
    scene.settle()


def postgresql_crashes(scene: Scene, many: int) -> None:
    scene.tell(many)
    scene.after_taking(40)
    scene.restart_database(signal.SIGQUIT, meanwhile=0)
    scene.jump(A_BIT)
    scene.settle()


def clocks_jump(scene: Scene, many: int) -> None:
    scene.hold(3, after=False, of=10)
    held = [number_in([one], mail_key()) for one in scene.sink.held]
    scene.jump(HOUR)
    ask_about_interrupted(clock.now())  # as the next sweep does
    assert scene.states(held) == ["question"] * 3
    assert scene.let_go() == held
    until(lambda: scene.states(held) == ["sent"] * 3, scene.stands)
    scene.jump(-HOUR)
    scene.tell(many - 10)
    for by in (HOUR, -HOUR):
        scene.after_taking(40)
        scene.jump(by)
    scene.settle()
    never_tried = Message.objects.filter(state=State.WAITING, attempts=0)
    assert not never_tried.exists(), scene.stands()


def nothing_is_left_to_do(scene: Scene) -> None:
    """Tries that were put off come, and those that are put off once more."""
    for by in (2 * HOUR, A_BIT):
        scene.jump(by)
        scene.settle()
    open_ones = Message.objects.filter(state__in=[State.WAITING, *HELD])
    assert not open_ones.exists(), scene.stands()


def every_message_is_accounted_for(scene: Scene) -> None:
    """Sent and taken once; or not taken, or nobody knows, and then it is on the list of what needs a person."""
    key = mail_key()
    taken = Counter({number_in([one], key): many for one, many in scene.sink.taken.items()})
    assert max(taken.values()) == 1
    seen: Counter[tuple[str, str, int]] = Counter()
    rows = Message.objects.order_by("participant__serial").values_list("pk", "state")
    for name, (number, state) in zip(names(), rows, strict=True):
        seen[_sort(name), state, taken[number]] += 1
    doubtful = sum(many for (sort, state, _), many in seen.items() if sort != "doubt" and state == "question")  # fmt: skip
    assert 2 <= doubtful <= 6, "one for each kill, and at most one for each worker at the crash"
    allowed = {
        ("sent", "sent", 1), ("sent", "question", 0), ("sent", "question", 1),
        ("refused", "refused", 0), ("refused", "question", 0), ("doubt", "question", 1), ("doubt", "question", 0),
    }  # fmt: skip
    assert set(seen) <= allowed
    assert sum(seen.values()) == MANY
    asked = Message.objects.filter(state__in=NEEDS_PERSON).count()
    assert needs_person(scene.study, clock.now()).count() == asked == MANY - seen["sent", "sent", 1]
    line = next(line for line in status_lines(clock.now()) if line.key == "mail")
    assert f"for a person to decide: {asked}." in line.text
    assert ProcessBeat.objects.filter(kind="scheduler").count() == 3


def _sort(name: str) -> str:
    return "sent" if name in SENT_LATER else "refused" if name in REFUSED else "doubt"
