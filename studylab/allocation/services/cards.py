"""Paper code cards for a power cut: printed for issued numbers, and what became of each."""

import secrets
from dataclasses import dataclass, field
from datetime import datetime

from django.db import transaction
from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.gates import arm_for_card
from studylab.allocation.models import CardLine, CodeCard, ListEntry, Reveal
from studylab.allocation.rules.wording import names_an_arm
from studylab.allocation.selectors.blinding import emergency_numbers
from studylab.allocation.services.checks import person_of, require_study
from studylab.allocation.services.opening import reveal_write
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.codes import kit_number
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.people.services.signatures import check_password
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol


@dataclass(frozen=True, slots=True)
class PrintedCard:
    """A card and what stands inside it. The arm is not part of its repr and is kept nowhere."""

    card: CodeCard
    arm_name: str = field(repr=False)


@sensitive_variables("password")
def cards_print(
    *, study: Study, kept: str, password: str, again: bool = False, actor: Actor
) -> list[PrintedCard]:
    """Make a card for every issued number without one and return them to be printed, once.

    With `again` also for numbers whose card names other telephone numbers than now. The rows are committed
    before any arm is opened; a card that was not printed well is recorded as destroyed and made again.
    """
    require(actor, Cap.LIST_MANAGE)
    require_study(actor, study.pk)
    if not kept.strip():
        raise Refused(
            "Say where the envelopes are kept: at night somebody must find them.", field="kept"
        )
    word = names_an_arm(kept, current_protocol(study).plan.allocation.arms)
    if word:
        raise Refused(f"“{word}” could tell what a card says.", field="kept")
    check_password(actor=actor, password=password, subject_type="cards", subject_code=study.slug)
    with transaction.atomic(durable=True):
        made = _cards_make(study=study, kept=kept.strip(), again=again, actor=actor)
    return [PrintedCard(card, arm_for_card(card, actor=actor).name) for card in made]


@service
def _cards_make(*, study: Study, kept: str, again: bool, actor: Actor) -> list[CodeCard]:
    lock(Study, pk=study.pk)
    numbers = emergency_numbers(study)
    made = []
    for entry in entries_without_card(study, numbers if again else None):
        card = CodeCard.objects.create(
            entry=entry, serial=kit_number(secrets.randbelow), kept=kept, numbers=numbers,
            printed_at=clock.now(), printed_by_id=person_of(actor),
        )  # fmt: skip
        audit(
            actor=actor, action=Action.CARD_PRINTED, subject_type="card", subject_code=card.serial,
            data={"number": entry.number},
        )  # fmt: skip
        made.append(card)
    if not made:
        raise Refused("Every issued number has its card.")
    return made


def entries_without_card(study: Study, numbers: str | None = None) -> list[ListEntry]:
    """Return issued numbers without a card that is still sealed, or whose card has other phone numbers."""
    sealed = CodeCard.objects.filter(entry__list__study=study, line=None)
    if numbers is not None:
        sealed = sealed.filter(numbers=numbers)
    return list(
        ListEntry.objects.filter(list__study=study, participant__isnull=False)
        .exclude(pk__in=sealed.values("entry"))
        .select_related("participant")
        .defer("box")
        .order_by("number")
    )


@sensitive_variables("password")
def card_opened(
    *, card: CodeCard, reason: str, told: str, at: datetime, password: str, actor: Actor
) -> CardLine:
    """Record afterwards that a card was opened: an opening like any other, written late. It shows no arm."""
    require(actor, Cap.CODE_OPEN)
    require_study(actor, card.entry.list.study_id)
    for name, text in (("reason", reason), ("told", told)):
        if not text.strip():
            raise Refused("Fill this in: it is written down with the opening.", field=name)
    printed = card.printed_at.replace(
        second=0, microsecond=0
    )  # times are written down to the minute
    if at > clock.now() or at < printed:
        raise Refused("A card is opened after it was printed and not later than now.", field="at")
    user = check_password(
        actor=actor, password=password, subject_type="card", subject_code=card.serial
    )
    reveal_kwargs = {"kind": Reveal.Kind.CARD, "reason": reason.strip(), "told": told.strip()}
    return _card_opened(card=card, at=at, user_id=user.pk, reveal=reveal_kwargs, actor=actor)


@service
def _card_opened(
    *, card: CodeCard, at: datetime, user_id: int, reveal: dict[str, str], actor: Actor
) -> CardLine:
    from studylab.people.models import User

    _refuse_settled(card)
    written = reveal_write(
        entry=card.entry, user=User.objects.get(pk=user_id), at=at, actor=actor, **reveal
    )
    return _line(card, CardLine.What.OPENED, reveal["reason"][:300], at, actor, written)


@service
def card_settle(*, card: CodeCard, what: str, note: str, actor: Actor) -> CardLine:
    """Record that a card was destroyed in its whole envelope, or cannot be found."""
    require(actor, Cap.LIST_MANAGE)
    require_study(actor, card.entry.list.study_id)
    if what not in (CardLine.What.DESTROYED, CardLine.What.MISSING):
        raise Refused("Choose what became of the card.", field="what")
    if not note.strip():
        raise Refused("Say what happened, and who was there.", field="note")
    _refuse_settled(card)
    return _line(card, CardLine.What(what), note.strip(), clock.now(), actor, None)


def _refuse_settled(card: CodeCard) -> None:
    lock(CodeCard, pk=card.pk)
    if CardLine.objects.filter(card=card).exists():
        raise Conflict("What became of this card is on record.")


def _line(
    card: CodeCard,
    what: CardLine.What,
    note: str,
    at: datetime,
    actor: Actor,
    reveal: Reveal | None,
) -> CardLine:
    line = CardLine.objects.create(
        card=card, what=what, reveal=reveal, note=note, at=at, recorded_at=clock.now(),
        by_id=person_of(actor),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.CARD_SETTLED, subject_type="card", subject_code=card.serial,
        data={"what": str(what)},
    )  # fmt: skip
    return line
