"""Nothing is recorded on a person before a consent that is earlier: tried by plain SQL on every table."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.apps import apps
from django.db import DatabaseError, IntegrityError, connection, transaction

from screening.models import VitalSet
from studylab.access import Actor
from studylab.participants.models import Consent, Participant
from studylab.participants.services import consent_correct
from tests.participants.people import give_consent, run_sql

pytestmark = [pytest.mark.django_db, pytest.mark.database]
HOUR = timedelta(hours=1)
BOTH, STUDY = ("questions", "study"), ("study",)

# Table, column of the moment, consents that allow it.
GUARDED = [
    ("screening_answerset", "given_at", BOTH),
    ("screening_vitalset", "taken_at", STUDY),
    ("screening_timing", "at", STUDY),
    ("screening_check", "taken_at", STUDY),
    ("screening_selfreport", "started_at", BOTH),
    ("screening_selfreportentry", "at", BOTH),
    ("screening_signoff", "signed_at", BOTH),
    ("scheduling_series", "booked_at", STUDY),
    ("scheduling_steprecord", "occurred_at", STUDY),
    ("scheduling_dose", "given_at", STUDY),
    ("scheduling_aftercontact", "at", STUDY),
    ("allocation_learnt", "occurred_at", STUDY),
    ("allocation_guess", "at", STUDY),
    ("allocation_armwish", "said_at", STUDY),
    ("participants_adverseevent", "aware_at", BOTH),
    ("participants_newsanswer", "told_at", STUDY),
    ("screening_vitaldraft", "begun_at", STUDY),
    ("scheduling_staying", "at", STUDY),
    ("scheduling_talk", "at", STUDY),
    ("scheduling_waiting", "since", STUDY),
    ("scheduling_walletcard", "handed_at", STUDY),
    ("scheduling_payment", "paid_at", STUDY),
    ("screening_contactnote", "at", BOTH),
    ("screening_noteanswer", "answered_at", BOTH),
    ("scheduling_senthome", "at", STUDY),
    ("scheduling_visitconfirmation", "at", STUDY),
    ("scheduling_moveproposal", "at", STUDY),
]
# Tables about a volunteer without a guard of their own, and what keeps them in order instead.
FOLLOW = {
    "participants_consent": "the consent itself",
    "participants_deviation": "what went wrong is recorded whenever it happened",
    "participants_hold": "stops people, records nothing about them",
    "screening_assessment": "computed from guarded answers and vitals",
    "screening_staffdecision": "the lead's decision about staff, not about the volunteer",
    "participants_personallink": "a way in, by which the first consent may be given",
    "scheduling_visit": "belongs to a guarded series",
    "scheduling_availability": "when somebody can come, said on the phone before any consent",
    "scheduling_optionhold": "keeps times free for ten minutes, records nothing on the person",
    "scheduling_planrow": "a proposal; what is taken of it becomes a guarded series",
    "participants_acquaintance": "whom to keep apart, which may be known before any consent",
    "scheduling_offer": "a time offered to somebody who waits and is guarded there",
    "outbox_message": "what is to be said to somebody, before any consent too; nothing on their health",
    "outbox_reach": "how somebody wishes to be written to",
    "participants_volunteerword": "whoever feels unwell is heard, also before any consent",
    "participants_leavingwish": "what happens with what is kept; also of somebody who agreed to nothing",
    "allocation_exposure": "what a member of staff has seen, about the staff",
    "allocation_armtelling": "has its own guard: a wish to know, which is guarded",
    "allocation_listentry": "has its own guard: a study consent and a sign-off",
}


def guard_that_refused(sql: str, values: list[Any]) -> str:
    """Return the name of the constraint or guard that refused the statement, "" when it was another error."""
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(sql, values)
    except DatabaseError as problem:
        return getattr(problem.__cause__, "diag").constraint_name or ""  # noqa: B009
    return "written"


def record(table: str, column: str, participant: Participant, at: datetime) -> str:
    """Try to write a row that says nothing but whom and when. Guards speak before missing columns do."""
    sql = f'INSERT INTO {table} (participant_id, "{column}") VALUES (%s, %s)'
    return guard_that_refused(sql, [participant.pk, at])


@pytest.mark.parametrize(("table", "column", "kinds"), GUARDED)
@pytest.mark.shows("A-10")
def test_no_row_without_an_earlier_consent(
    ana: Participant, keeper: Actor, noon: datetime, table: str, column: str, kinds: tuple[str, ...]
) -> None:
    """Without one, before it, at its very instant: refused. Just after it the guard lets go."""
    signed = noon - HOUR
    refused = "SL001_consent_first"
    if kinds == STUDY:  # Ana's agreement to questions of two days ago does not count
        assert record(table, column, ana, noon) == refused
        give_consent(keeper, ana, signed)
    else:
        signed = noon - timedelta(days=2)
    assert record(table, column, ana, signed - timedelta(microseconds=1)) == refused
    assert record(table, column, ana, signed) == refused
    assert record(table, column, ana, signed + timedelta(microseconds=1)) != refused


@pytest.mark.parametrize(("table", "column", "kinds"), GUARDED)
def test_a_corrected_consent_counts_no_more(
    consented: Participant,
    keeper: Actor,
    noon: datetime,
    table: str,
    column: str,
    kinds: tuple[str, ...],
) -> None:
    """Once the time is corrected to a later one, the old entry allows nothing."""
    for consent in Consent.objects.filter(participant=consented):
        consent_correct(
            consent=consent, signed_at=noon - HOUR / 2, reason="wrong line", actor=keeper,
            written_on=noon.date(), staff_signed_at=noon,
        )  # fmt: skip
    assert record(table, column, consented, noon - HOUR / 2) == "SL001_consent_first"
    assert record(table, column, consented, noon) != "SL001_consent_first"


def test_a_whole_vital_set_is_written_after_consent(consented: Participant, noon: datetime) -> None:
    """The same complete statement: refused before the consent, written after it."""
    VitalSet.objects.create(
        participant=consented, gate="screening", arm="left", taken_at=noon, recorded_at=noon
    )
    columns = [field.column for field in VitalSet._meta.concrete_fields if field.column != "id"]
    own = {"uid": "gen_random_uuid()", "taken_at": "%s"}
    sql = (
        f"INSERT INTO screening_vitalset ({', '.join(columns)})"
        f" SELECT {', '.join(own.get(column, column) for column in columns)} FROM screening_vitalset"
    )
    assert guard_that_refused(sql, [noon - 2 * HOUR]) == "SL001_consent_first"
    assert guard_that_refused(sql, [noon - HOUR / 2]) == "written"


def test_every_table_about_a_volunteer_is_accounted_for() -> None:
    """A new table is guarded, or named here with the reason why it needs no guard."""
    guarded, named = set(), set()
    for model in apps.get_models():
        fields = [f for f in model._meta.concrete_fields if f.related_model is Participant]
        if not fields:
            continue
        triggers = {trigger.name for trigger in getattr(model._meta, "triggers", [])}
        (guarded if "consent_first" in triggers else named).add(model._meta.db_table)
    # Results of a laboratory come after the opening of the list only: there that guard speaks first.
    assert guarded - {"allocation_assay"} == {table for table, _, _ in GUARDED}
    assert named - set(FOLLOW) - {"allocation_reveal"} == set()


@pytest.mark.parametrize("change", ["SET signed_at = signed_at - interval '1 hour'",
                                    "SET recorded_at = signed_at", "SET version = '2'"])  # fmt: skip
def test_a_consent_is_never_changed_in_place(consented: Participant, change: str) -> None:
    """Not even by plain SQL; nor is it removed."""
    with pytest.raises(DatabaseError, match="Cannot update or delete"):
        run_sql(f"UPDATE participants_consent {change}")
    with pytest.raises(DatabaseError, match="Cannot update or delete"), transaction.atomic():
        Consent.objects.all().delete()


def copy_of(consent: Consent, **changes: Any) -> None:
    """Insert a row past every service; only the database stands in the way."""
    values = {
        field.attname: getattr(consent, field.attname)
        for field in Consent._meta.concrete_fields
        if field.attname != "id"
    }
    columns = {**values, **changes}
    sql = (
        f"INSERT INTO participants_consent ({', '.join(columns)})"
        f" VALUES ({', '.join(['%s'] * len(columns))})"
    )
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql, list(columns.values()))


@pytest.mark.parametrize(
    ("changes", "constraint"),
    [
        ({"signed_at": datetime(2026, 3, 9)}, "consent_once_per_version"),
        ({"supersedes_id": "own", "reason": ""}, "consent_correction_has_reason"),
        ({"supersedes_id": "own", "reason": "x", "kind": "questions"}, "SL001_corrects_own"),
        ({"version": "2", "signed_at": datetime(2026, 3, 12)}, "consent_not_in_future"),
        ({"version": "2", "method": "spoken"}, "consent_study_not_spoken"),
        ({"version": "2", "kind": "other"}, "consent_kind_known"),
    ],
)
def test_ways_to_date_back_by_sql(
    consented: Participant, changes: dict[str, Any], constraint: str
) -> None:
    """A second entry, a correction without reason, of another consent, from the future: all refused."""
    consent = Consent.objects.get(participant=consented, kind="study")
    changes = {k: consent.pk if v == "own" else v for k, v in changes.items()}
    with pytest.raises(IntegrityError) as refused:
        copy_of(consent, **changes)
    assert getattr(refused.value.__cause__, "diag").constraint_name == constraint  # noqa: B009


def test_nobody_corrects_for_somebody_else_by_sql(
    consented: Participant, keeper: Actor, study: Any
) -> None:
    """Ana's consent cannot be replaced by an entry about Ben."""
    from tests.participants.people import BEN, add

    ben = add(keeper, study, BEN)
    consent = Consent.objects.get(participant=consented, kind="study")
    with pytest.raises(IntegrityError, match="same consent and volunteer"):
        copy_of(consent, supersedes_id=consent.pk, reason="x", participant_id=ben.pk)
