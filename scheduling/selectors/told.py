"""What was noted in free words at contacts and on run sheets, for the search for names of medicines."""

from collections.abc import Collection

from scheduling.models import AfterContact, StepRecord, Talk
from screening.rules.notes import NoteText
from studylab.audit.history import STANDS
from studylab.participants.models import VolunteerWord

_LETTERS = "[[:alpha:]]{5}"  # fewer letters name no medicine


def talk_notes(people: Collection[int]) -> list[NoteText]:
    """Return the notes of talks about booked visits."""
    rows = Talk.objects.filter(participant__among=people).exclude(note="")
    return [
        NoteText(row.participant_id, f"talk-{row.pk}", row.at, f"note of the talk ({row.get_kind_display()})",
                 row.note, row.recorded_by.name)
        for row in rows.select_related("recorded_by")
    ]  # fmt: skip


def after_contact_notes(people: Collection[int]) -> list[NoteText]:
    """Return what was said at the contacts after a dose."""
    rows = AfterContact.objects.filter(participant__among=people).select_related("recorded_by")
    texts = [(row, " / ".join(filter(None, [*row.answers.values(), row.note]))) for row in rows]
    return [
        NoteText(row.participant_id, f"after-{row.pk}", row.at, "contact after the dose", text, row.recorded_by.name)
        for row, text in texts
        if text
    ]  # fmt: skip


def step_notes(people: Collection[int]) -> list[NoteText]:
    """Return what was typed in free words at steps of visits, as it stands."""
    rows = StepRecord.objects.filter(
        STANDS, participant__among=people, value__value__regex=_LETTERS
    ).select_related("recorded_by")
    return [
        NoteText(row.participant_id, f"step-{row.pk}", row.occurred_at, "record of a step of the visit",
                 row.value["value"], row.recorded_by.name if row.recorded_by else "", listed=False)
        for row in rows
        if isinstance(row.value["value"], str)
    ]  # fmt: skip


def own_notes(people: Collection[int]) -> list[NoteText]:
    """Return what volunteers wrote by themselves on their own page."""
    rows = VolunteerWord.objects.filter(participant__among=people).exclude(text="")
    return [
        NoteText(
            row.participant_id, f"own-{row.pk}", row.at, f"volunteer's own page ({row.get_kind_display()})",
            " / ".join(filter(None, [row.text, row.since, row.amount])), "the volunteer",
        )
        for row in rows
    ]  # fmt: skip
