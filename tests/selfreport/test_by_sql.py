"""Links, agreement and questionnaire attacked by plain SQL."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.urls import reverse

from screening.rules.self_report import Screen
from studylab import clock
from studylab.participants.models import Participant, PersonalLink
from studylab.participants.services.links import MadeLink
from tests.participants.people import run_sql
from tests.selfreport.phone import Phone, quiet

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.mark.parametrize(
    "change",
    [
        "token_digest = repeat('a', 64)", "expires_at = expires_at + interval '1 year'",
        "participant_id = participant_id + 1", "purpose = 'other'", "wrong_tries = 0",
        "revoked_at = NULL", "used_at = NULL",
    ],
)  # fmt: skip
def test_the_database_keeps_a_link_as_it_was_made(made: MadeLink, change: str) -> None:
    table = "participants_personallink"
    run_sql(
        f"UPDATE {table} SET revoked_at = now(), revoked_reason = 'x', used_at = now(), wrong_tries = 3"
    )
    with pytest.raises(IntegrityError, match="neither changed nor opened again"):
        run_sql(f"UPDATE {table} SET {change}")


def test_the_database_lets_one_link_be_open(ana: Participant, made: MadeLink) -> None:
    with pytest.raises(IntegrityError, match="link_one_open"), transaction.atomic():
        PersonalLink.objects.create(
            participant=ana, purpose="questions", token_digest="b" * 64, made_at=clock.now(),
            expires_at=clock.now() + timedelta(days=1),
        )  # fmt: skip


def test_nobody_else_agrees_for_the_volunteer(
    ana: Participant, coordinator: Any, version: str
) -> None:
    """By plain SQL: an agreement by link names no member of the staff and carries the server's time."""
    sql = (
        "INSERT INTO participants_consent (participant_id, kind, version, method, signed_at, recorded_at,"
        " recorded_by_id, reason) VALUES (%s, %s, %s, 'link', %s, %s, %s, '')"
    )
    now = clock.now()
    for kind, signed, by, rule in (
        ("questions", now, coordinator.pk, "consent_link_own_act"),
        ("questions", now - timedelta(days=3), None, "consent_link_own_act"),
        ("study", now, None, "consent_study_not_by_link"),
    ):
        with pytest.raises(IntegrityError, match=rule):
            run_sql(sql, [ana.pk, kind, version, signed, now, by])


def test_the_database_records_nothing_before_the_agreement(
    ana: Participant, phone: Phone, version: str
) -> None:
    """Invariant 1 by plain SQL, for the questionnaire and each of its entries."""
    report = (
        "INSERT INTO screening_selfreport (uid, participant_id, started_at, screens_seen, language)"
        " VALUES (gen_random_uuid(), %s, %s, '[]', '') RETURNING id"
    )
    with pytest.raises(IntegrityError, match="no consent that was given before"):
        run_sql(report, [ana.pk, clock.now()])
    phone.agree(version)
    with pytest.raises(IntegrityError, match="no consent that was given before"):
        run_sql(report, [ana.pk, clock.now() - timedelta(days=1)])
    with connection.cursor() as cursor:
        cursor.execute(report, [ana.pk, clock.now()])
        number = cursor.fetchone()[0]
    entry = (
        "INSERT INTO screening_selfreportentry (report_id, participant_id, key, content, at)"
        """ VALUES (%s, %s, 'C-01', '{"value": "no", "detail": ""}', %s)"""
    )
    with pytest.raises(IntegrityError, match="no consent that was given before"):
        run_sql(entry, [number, ana.pk, clock.now() - timedelta(days=1)])
    run_sql(entry, [number, ana.pk, clock.now()])


def test_what_was_sent_stays(
    agreed: Phone, ana: Participant, all_screens: tuple[Screen, ...]
) -> None:
    for screen in all_screens:
        agreed.answer(screen.number, quiet(screen))
    agreed.send(reverse("self_report_review"))
    report = ana.self_reports.get()
    with pytest.raises(IntegrityError, match="It stays as it is"):
        run_sql("UPDATE screening_selfreport SET sent_at = NULL, answer_set_id = NULL")
    with pytest.raises(IntegrityError, match="It stays as it is"):
        run_sql(
            "INSERT INTO screening_selfreportentry (report_id, participant_id, key, content, at)"
            " VALUES (%s, %s, 'C-01', '{}', %s)", [report.pk, ana.pk, clock.now()],
        )  # fmt: skip
