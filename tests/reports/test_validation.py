"""The validation pack: its checks are real, their answers are kept, and a change is noticed."""

import hashlib
import re
from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction
from django.urls import reverse

from studylab import clock
from studylab.audit.services import seal_events
from studylab.errors import NotAllowed
from studylab.reports.models import ValidationRun
from studylab.reports.rules import self_tests as rules
from studylab.reports.selectors import validation
from studylab.reports.services.validation import validation_run
from tests import cast


class TestRules:
    def test_every_check_passes(self) -> None:
        found = rules.self_tests()
        assert [one.title for one in found if not one.passed] == []
        assert len({one.key for one in found}) == len(found) >= 10

    def test_a_program_that_computes_otherwise_fails(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Each is broken once at its root: what computes is asked, not a constant."""
        from studylab import codes

        monkeypatch.setattr(
            rules, "check_character", lambda body: codes.check_character(body)[::-1] + "?"
        )
        monkeypatch.setattr(rules, "corrected_qt", lambda qt, rate, formula: qt + 1)
        monkeypatch.setattr(hashlib, "sha256", hashlib.sha512)
        failed = {one.key for one in rules.self_tests() if not one.passed}
        assert {"code", "qtc", "sha256"} <= failed
        assert "vitals-1" not in failed

    def test_what_breaks_is_a_failure_with_words(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def broken(*_: Any, **__: Any) -> Any:
            raise ValueError("no readings")

        monkeypatch.setattr(rules, "decide", broken)
        found = {one.key: one for one in rules.self_tests()}
        assert found["vitals-1"].found == "ValueError: no readings"
        assert not found["vitals-1"].passed


@pytest.mark.django_db
class TestRun:
    def test_a_run_is_kept_shown_and_noticed_when_changed(
        self, client_of: Any, lead: Any, study: Any
    ) -> None:
        client, here = client_of(lead), {"study": study.slug}
        answer = client.post(reverse("set_up_validation", kwargs=here), follow=True)
        run = ValidationRun.objects.get()
        words = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))
        for said in (
            run.sha256, "PostgreSQL", "Audit trail, every seal from the first on", "Signatures by hand",
            "the site's own judgement", "Migrations of studies up to", "requirements are shown by tests",
        ):  # fmt: skip
            assert said in words, said
        assert "the row was changed" not in words
        assert [row for row in run.content["checks"] if not row["passed"]] == []
        listed = client.get(reverse("set_up_validation", kwargs=here)).content.decode()
        assert run.sha256[:12] in listed

    def test_rows_stay_as_they_are(self, lead: Any, actor_of: Any) -> None:
        run = validation_run(actor=actor_of(lead))
        with pytest.raises(DatabaseError), transaction.atomic():
            ValidationRun.objects.filter(pk=run.pk).update(passed=True)
        with pytest.raises(DatabaseError), transaction.atomic():
            ValidationRun.objects.filter(pk=run.pk).delete()

    def test_a_guard_that_is_off_is_found(self, lead: Any, actor_of: Any) -> None:
        validation_run(actor=actor_of(lead))
        seal_events()
        with connection.cursor() as cursor:
            cursor.execute("ALTER TABLE people_signature DISABLE TRIGGER USER")
        found = {row["title"]: row for row in validation.look(clock.now())["checks"]}
        assert not found["Guards of the tables that are switched on"]["passed"]
        assert found["Audit trail, every seal from the first on"]["passed"]

    def test_who_may(self, client_of: Any, lead: Any, coordinator: Any, actor_of: Any) -> None:
        admin = cast.make_user("Alba Reyes", is_account_admin=True)
        site = reverse("site_validation")
        assert client_of(admin).post(site).status_code == 302
        # No worker is alive in a test: that is wrong, and said.
        assert "not all passed" in client_of(admin).get(site).content.decode()
        assert client_of(lead).get(site).status_code == 403
        with pytest.raises(NotAllowed):
            validation_run(actor=actor_of(coordinator))


def test_what_counts_as_passed() -> None:
    good: dict[str, Any] = {
        "checks": [{"passed": True}], "settings": [{"level": "warning"}], "status": [{"state": "look"}],
    }  # fmt: skip
    assert validation.passed(good)
    for key, value in (
        ("checks", {"passed": False}), ("settings", {"level": "error"}), ("status", {"state": "wrong"}),
    ):  # fmt: skip
        assert not validation.passed(good | {key: [value]})
