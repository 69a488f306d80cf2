"""Four workers and two schedulers at work on a crowd's messages, and everything around them that can break."""

import signal
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from studylab import clock
from studylab.outbox.compose import mail_key
from studylab.outbox.models import Message
from studylab.outbox.rules.return_path import number_in
from studylab.outbox.rules.states import State
from studylab.outbox.services.sending import LEASE
from studylab.participants.models import Participant
from studylab.studies.models import Study
from tests.outbox.faults.crowd import gather, tell
from tests.outbox.faults.servers import Broker, Crew, Database
from tests.outbox.faults.sink import Sink
from tests.outbox.faults.told_clock import ToldOffset
from tests.processes import until

HELD = (State.CLAIMED, State.SENDING)
A_BIT = LEASE + timedelta(minutes=1)  # until what a lost knock left is found again


@dataclass
class Scene:
    """What a test plays with. Each step leaves nothing that is due and that nobody works at."""

    study: Study
    sink: Sink
    clock: ToldOffset
    crew: Crew
    broker: Broker
    database: Database
    offset: timedelta = field(init=False)
    people: Iterator[Participant] = field(init=False)

    def begin(self) -> None:
        """Put the clock on a noon, when no quiet hours are, and write down whom there is to be told."""
        self.offset = datetime(2026, 11, 25, 16, tzinfo=UTC) - datetime.now(UTC)
        self.clock.tell(self.offset)
        self.people = iter(gather(self.study))
        self.workers = [self.crew.worker(pool) for pool in ("prefork", "solo", "prefork", "solo")]
        self.beats = [self.crew.beat() for _ in range(2)]

    def tell(self, many: int) -> None:
        """Queue messages that are due now to so many who were not told yet."""
        tell([next(self.people) for _ in range(many)])

    def jump(self, by: timedelta) -> None:
        """Let every clock jump."""
        self.offset += by
        self.clock.tell(self.offset)

    def settled(self) -> bool:
        """Whether nothing is due and no message is in anybody's hands."""
        due = Message.objects.filter(state=State.WAITING, next_at__lte=clock.now())
        return not due.exists() and not Message.objects.filter(state__in=HELD).exists()

    def settle(self) -> None:
        """Wait until everything that is due was seen to."""
        until(self.settled, self.stands)

    def stands(self) -> str:
        """Say how everything stands, for a failure's report."""
        rows = Message.objects.order_by().values_list("state", "note", "attempts")
        return f"{Counter(rows).most_common(40)}, knocks {self.broker.knocks()}, see {self.crew.folder}"

    def taken(self) -> int:
        """Return how many mails the server took so far."""
        return sum(self.sink.taken.values())

    def after_taking(self, many: int) -> None:
        """Wait until the server took so many more."""
        before = self.taken()
        until(lambda: self.taken() >= before + many, self.stands)

    def hold(self, many: int, *, after: bool, of: int) -> None:
        """Queue `of` messages, and hold so many workers in the middle of one."""
        self.sink.hold(many, after=after)
        self.tell(of)
        until(lambda: len(self.sink.held) == many, self.stands)

    def let_go(self) -> list[int]:
        """Let the workers go on that are held; return the numbers of their messages."""
        key = mail_key()
        return [number for held in self.sink.let_go() if (number := number_in([held], key))]

    def states(self, numbers: list[int]) -> list[str]:
        """Return where these messages stand."""
        rows = Message.objects.filter(pk__in=numbers)
        return sorted(rows.values_list("state", flat=True))

    def restart_database(self, how: signal.Signals, meanwhile: float) -> list[int]:
        """Stop PostgreSQL, let go who is held, start it after so many seconds; return who was held."""
        self.database.stop(how)
        held = self.let_go()
        time.sleep(meanwhile)
        self.database.start()
        return held
