"""Background work of the outbox. The table is the queue; a task carries a message's number and nothing else."""

from celery import shared_task

from studylab import clock
from studylab.celery import ring
from studylab.outbox.services import sending
from studylab.outbox.services.planning import plan_all


@shared_task(name="outbox.plan")
def plan() -> None:
    """Queue what is due by itself: reminders, and what staff must hear in time."""
    plan_all(clock.now())


@shared_task(name="outbox.tick")
def tick() -> None:
    """Claim what is due and knock on the workers' door, once for each message.

    Where no broker hears the first knock it hears none: the claims are given back, so that a later tick tries at once.
    """
    now = clock.now()
    sending.end_too_late(now)
    claimed = sending.claim_due(now)
    for place, message_id in enumerate(claimed):
        if not ring(send, message_id):
            sending.unclaim(claimed[place:])
            break


@shared_task(name="outbox.send")
def send(message_id: int) -> None:
    """Send one message. A repeated knock finds it claimed by nobody and does nothing."""
    sending.send(message_id)


@shared_task(name="outbox.sweep")
def sweep() -> None:
    """Find again what a lost knock dropped, and ask about what a dead worker left."""
    now = clock.now()
    sending.release_lapsed(now)
    sending.ask_about_interrupted(now)
