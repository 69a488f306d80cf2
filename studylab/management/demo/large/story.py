"""What is copied of the small demonstration: its volunteers in order, who may be moved back, their rows numbered."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

from django.db.models import Q

from scheduling.models import Dose, Series, Visit
from screening.models import Assessment, SignOff
from screening.selectors.inputs import current_inputs_digest
from studylab.allocation.models import KitMovement, ListEntry
from studylab.audit.models import Event
from studylab.management.demo.large.copied import (
    DOSED,
    MEASURED,
    NAMED,
    SIGNED,
    TRAIL,
    WHO,
)
from studylab.management.demo.large.rows import Rows
from studylab.outbox.models import Message
from studylab.participants.models import AdverseEvent, Deviation, Hold, Participant
from studylab.people.models import Signature
from studylab.studies.models import Study

_UNTOLD = (  # what is not copied is not on a copy's trail either
    "notice.", "link.", "word.", "option.", "news.", "report.", "told.", "pause.", "dosing.", "message.", "event.",
    "deviation.", "volunteer.acquaintance", "vitals.draft", "visit.move", "visit.confirmed", "volunteer.note_answered",
    "hold.",
)  # fmt: skip


@dataclass(frozen=True)
class Story:
    """The volunteers of the small demonstration, oldest first; a volunteer's place is the position in `people`."""

    study: Study
    people: tuple[Participant, ...]
    now: datetime

    @cached_property
    def place(self) -> dict[int, int]:
        """The place of each volunteer, by id."""
        return {who.pk: place for place, who in enumerate(self.people)}

    @cached_property
    def movable(self) -> tuple[int, ...]:
        """Places of everybody whose rows make sense some years ago: nothing of theirs is under way or to come."""
        ids = list(self.place)
        busy = set(
            Series.objects.filter(participant__in=ids, state="open").values_list(
                "participant", flat=True
            )
        )
        late = Visit.objects.filter(
            Q(planned__endswith__gt=self.now - timedelta(days=3), state="done")
            | Q(spacing_deviation__isnull=False),
            participant__in=ids,
        )
        busy |= set(late.values_list("participant", flat=True))
        for model in (
            Hold.objects.filter(released_at=None),
            Message.objects.exclude(state__in=["sent", "dropped"]),
        ):
            busy |= set(model.filter(participant__in=ids).values_list("participant", flat=True))
        return tuple(place for who, place in self.place.items() if who not in busy)

    @cached_property
    def waiting(self) -> frozenset[int]:
        """Places of those who are on the path with no visit behind them: long ago they left."""
        seen = set(
            Series.objects.filter(participant__in=list(self.place)).values_list(
                "participant", flat=True
            )
        )
        return frozenset(
            place
            for who, place in self.place.items()
            if self.people[place].is_active and who not in seen
        )

    @cached_property
    def newest(self) -> dict[int, int]:
        """The id of the newest screening assessment by place, of those about whom it still says what is on record."""
        rows = (
            Assessment.objects.filter(
                participant__in=list(self.place), gate=Assessment.Gate.SCREENING
            )
            .order_by("participant", "-id")
            .distinct("participant")
        )
        return {
            self.place[row.participant_id]: row.pk
            for row in rows
            if current_inputs_digest(self.people[self.place[row.participant_id]])
            == row.inputs_digest
        }

    @cached_property
    def numbered(self) -> dict[int, tuple[datetime, int | None]]:
        """When and by whom a number was issued, by place."""
        rows = ListEntry.objects.filter(participant__in=list(self.place), issued_at__isnull=False)
        found = rows.values_list("participant", "issued_at", "issued_by")
        return {self.place[who]: (at, by) for who, at, by in found if who and at}

    @cached_property
    def ledger(self) -> dict[int, list[KitMovement]]:
        """The lines of the kits that were given, after their receipt, by place."""
        given = Dose.objects.filter(participant__in=list(self.place)).values_list(
            "kit", "participant"
        )
        lines: dict[int, list[KitMovement]] = {}
        for kit, who in given:
            rows = KitMovement.objects.filter(kit=kit).exclude(what="receive").order_by("id")
            lines[self.place[who]] = list(rows)
        return lines

    def signatures(self) -> dict[int, tuple[Signature, int]]:
        """Return the signatures of sign-offs and closings that are copied, by id, with the place of the volunteer."""
        found: dict[int, tuple[Signature, int]] = {}
        every = {one.model: one for one in (*SIGNED, *DOSED)}
        for model, column in (
            (SignOff, "signature"), (Deviation, "closing"), (AdverseEvent, "closing"), (Hold, "release"),
        ):  # fmt: skip
            rows = model._default_manager.filter(
                every[model].only, participant__in=list(self.place)
            )
            ids = rows.exclude(**{column: None}).values_list(column, "participant")
            owners: dict[int, int] = dict(ids)
            for pk, signature in Signature.objects.in_bulk(list(owners)).items():
                found[pk] = (signature, self.place[owners[pk]])
        return found

    def number_rows(self, rows: Rows) -> None:
        """Number the rows of every copied table."""
        for copied in {one.model: one for one in (*WHO, *MEASURED, *SIGNED, *DOSED)}.values():
            found = copied.model._default_manager.filter(
                copied.only, **{f"{copied.owner}__in": list(self.place)}
            )
            pairs: dict[int, int] = dict(found.values_list("pk", copied.owner))
            rows.number(copied.model, [(pk, self.place[who]) for pk, who in pairs.items()])
        rows.number(NAMED.model, [(pk, place) for pk, (_, place) in self.signatures().items()])
        rows.number(TRAIL.model, self._trail())

    def _trail(self) -> list[tuple[int, int]]:
        codes = {who.code: place for place, who in enumerate(self.people)}
        events = Event.objects.filter(study_id=self.study.pk, participant_code__in=list(codes))
        return [
            (pk, codes[code])
            for pk, code, action in events.values_list("pk", "participant_code", "action")
            if not action.startswith(_UNTOLD)
        ]


def story_of(study: Study, now: datetime) -> Story:
    """Return the story that a study tells."""
    return Story(
        study, tuple(study.participants.order_by("id").select_related("study", "person")), now
    )
