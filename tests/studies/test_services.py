"""Studies and protocol versions through the services, and past them."""

from datetime import date
from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction

from studylab.access import Role, system_actor
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import Signature
from studylab.people.selectors import actor_for
from studylab.people.services.signatures import WrongPassword
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.loader import protocol_hash
from studylab.studies.rules.problems import ProtocolInvalid
from studylab.studies.selectors import (
    changes_to_confirm,
    confirmation_void,
    current_protocol,
    limits_content,
)
from studylab.studies.services import limits_confirm, protocol_add, study_create, study_state_set
from tests.cast import DOCUMENTS, PASSWORD, make_user
from tests.guards import guards_off

pytestmark = [pytest.mark.django_db, pytest.mark.database]
DEMO = (DOCUMENTS / "demo.toml").read_text(encoding="utf-8")
STRICTER = DEMO.replace("pass_from = 60, pass_below = 100", "pass_from = 65, pass_below = 100", 1)
assert STRICTER != DEMO


def version_of(study: Any, number: int = 1) -> ProtocolVersion:
    return study.protocol_versions.get(number=number)


def confirm(study: Any, clinician: Any, number: int = 1, password: str = PASSWORD) -> Any:
    return limits_confirm(
        version=version_of(study, number), password=password, actor=actor_for(clinician, study)
    )


def refused_by_the_database(sql: str) -> None:
    with (
        pytest.raises(DatabaseError),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(sql)


class TestCreating:
    def test_the_house_makes_a_study_that_nobody_leads_yet(self, db: Any) -> None:
        study = study_create(document=DEMO, code_prefix="HS", actor=system_actor("set-up"))
        assert (study.slug, study.state, study.timezone) == (
            "harbour-story", Study.State.SETUP, "America/Halifax",
        )  # fmt: skip
        assert not study.memberships.exists()
        version = version_of(study)
        assert (version.document, version.sha256) == (DEMO, protocol_hash(DEMO))
        assert not current_protocol(study).confirmed
        assert set(Event.objects.filter(study_id=study.pk).values_list("action", flat=True)) == {
            Action.STUDY_CREATED, Action.PROTOCOL_ADDED,
        }  # fmt: skip

    @pytest.mark.parametrize("prefix", ["", "hs", "ABCD", "Ä", "1", "A1"])
    def test_a_bad_prefix_is_named(self, db: Any, prefix: str) -> None:
        with pytest.raises(Refused) as refusal:
            study_create(document=DEMO, code_prefix=prefix, actor=system_actor("x"))
        assert refusal.value.field == "code_prefix"

    def test_a_taken_name_is_refused(self, study: Any) -> None:
        with pytest.raises(Conflict, match="already a study"):
            study_create(document=DEMO, code_prefix="HS", slug=study.slug, actor=system_actor("x"))

    def test_a_bad_document_makes_no_study(self, db: Any) -> None:
        with pytest.raises(ProtocolInvalid):
            study_create(document="title = 1", code_prefix="HS", actor=system_actor("x"))
        assert not Study.objects.exists()

    def test_only_a_lead_or_the_house(self, study: Any, coordinator: Any, actor_of: Any) -> None:
        with pytest.raises(NotAllowed):
            study_create(document=DEMO, code_prefix="HS", actor=actor_of(coordinator))


class TestVersions:
    def test_numbers_count_up_and_the_confirmed_one_stays_in_force(
        self, study: Any, lead: Any, clinician: Any, actor_of: Any
    ) -> None:
        confirm(study, clinician)
        added = protocol_add(study=study, document=STRICTER, note="pulse", actor=actor_of(lead))
        assert (added.number, added.added_by) == (2, lead)
        assert current_protocol(study).version.number == 1
        with pytest.raises(Refused, match="reference of their approval"):
            confirm(study, clinician, 2)
        limits_confirm(
            version=added, password=PASSWORD, approval_reference="EC 7",
            approval_on=date(2026, 3, 2), actor=actor_for(clinician, study),
        )  # fmt: skip
        now = current_protocol(study)
        assert (now.version.number, now.confirmed) == (2, True)
        assert now.plan.limits.screening.pulse.pass_from == 65

    def test_the_same_text_is_refused(self, study: Any, lead: Any, actor_of: Any) -> None:
        with pytest.raises(Refused, match="word for word version 1"):
            protocol_add(study=study, document=DEMO, actor=actor_of(lead))

    def test_a_study_keeps_its_time_zone(self, study: Any, lead: Any, actor_of: Any) -> None:
        moved = DEMO.replace('"America/Halifax"', '"Europe/Dublin"')
        with pytest.raises(Refused, match="keeps its time zone"):
            protocol_add(study=study, document=moved, actor=actor_of(lead))

    def test_problems_are_named_with_key_and_fix(
        self, study: Any, lead: Any, actor_of: Any
    ) -> None:
        broken = DEMO.replace("target = 48", 'target = "many"').replace('currency = "CAD"', "")
        with pytest.raises(ProtocolInvalid) as refusal:
            protocol_add(study=study, document=broken, actor=actor_of(lead))
        assert {"target", "currency"} <= {problem.key for problem in refusal.value.problems}
        assert study.protocol_versions.count() == 1

    def test_only_the_lead_of_this_study(
        self, study: Any, coordinator: Any, outsider: Any, actor_of: Any
    ) -> None:
        with pytest.raises(NotAllowed):
            protocol_add(study=study, document=STRICTER, actor=actor_of(coordinator))
        other = outsider.memberships.first().study
        from tests.cast import join

        boss = make_user("Other Lead")
        join(boss, other, Role.LEAD)
        with pytest.raises(NotAllowed):
            protocol_add(study=study, document=STRICTER, actor=actor_for(boss, other))


class TestConfirming:
    def test_the_signature_covers_digest_and_limits(self, study: Any, clinician: Any) -> None:
        version = confirm(study, clinician)
        signature = version.confirmation
        assert signature.user == clinician
        assert signature.content == limits_content(version)
        assert signature.content["sha256"] == protocol_hash(DEMO)
        assert signature.content["limits"]["screening"]["pulse"]["pass_from"] == 60
        assert version.confirmed_at == signature.signed_at
        assert not confirmation_void(version)

    def test_a_wrong_password_confirms_nothing_and_is_noted(
        self, study: Any, clinician: Any
    ) -> None:
        with pytest.raises(WrongPassword):
            confirm(study, clinician, password="wrong")
        assert version_of(study).confirmed_at is None
        assert not Signature.objects.exists()
        assert Event.objects.filter(action=Action.SIGNATURE_REFUSED).count() == 1

    @pytest.mark.parametrize("role", ["lead", "coordinator", "pharmacist", "monitor"])
    def test_only_a_clinician(self, study: Any, role: str, request: Any, actor_of: Any) -> None:
        person = request.getfixturevalue(role)
        with pytest.raises(NotAllowed):
            limits_confirm(version=version_of(study), password=PASSWORD, actor=actor_of(person))
        assert version_of(study).confirmed_at is None

    def test_only_a_clinician_of_this_study(self, study: Any, outsider: Any) -> None:
        other = outsider.memberships.first().study
        with pytest.raises(NotAllowed):
            limits_confirm(
                version=version_of(study), password=PASSWORD, actor=actor_for(outsider, other)
            )

    def test_once(self, study: Any, clinician: Any) -> None:
        confirm(study, clinician)
        with pytest.raises(Conflict, match="confirmed already"):
            confirm(study, clinician)
        assert Signature.objects.count() == 1

    def test_only_the_newest(self, study: Any, clinician: Any, lead: Any, actor_of: Any) -> None:
        protocol_add(study=study, document=STRICTER, actor=actor_of(lead))
        with pytest.raises(Refused, match="Version 2 is newer"):
            confirm(study, clinician, 1)
        assert not Signature.objects.exists()

    def test_the_titles_follow_the_confirmed_version(
        self, study: Any, clinician: Any, lead: Any, actor_of: Any
    ) -> None:
        renamed = STRICTER.replace('short_title = "Harbour Story"', 'short_title = "Pier Story"')
        protocol_add(study=study, document=renamed, actor=actor_of(lead))
        assert Study.objects.get(pk=study.pk).short_title == "Harbour Story"
        confirm(study, clinician, 2)
        assert Study.objects.get(pk=study.pk).short_title == "Pier Story"

    def test_what_changed_is_listed(
        self, study: Any, clinician: Any, lead: Any, actor_of: Any
    ) -> None:
        assert changes_to_confirm(version_of(study)) is None
        confirm(study, clinician)
        text = STRICTER.replace("age_max = 45", "age_max = 50").replace(
            "minutes = 5 }", "minutes = 6 }", 1
        )
        protocol_add(study=study, document=text, actor=actor_of(lead))
        found = changes_to_confirm(version_of(study, 2))
        assert found is not None
        assert [(row.group, row.name) for row in found.limits] == [
            ("Screening", "Pulse"), ("Numbers in the questions", "Oldest age"),
        ]  # fmt: skip
        assert (found.limits[1].before, found.limits[1].after) == ("45 years", "50 years")
        assert found.parts == ("visits and steps",)

    @pytest.mark.parametrize(
        "sql",
        [
            "UPDATE studies_protocolversion SET confirmed_at = now()",
            "UPDATE studies_protocolversion SET confirmed_at = NULL, confirmation_id = NULL",
            "UPDATE studies_protocolversion SET document = 'x'",
            "DELETE FROM studies_protocolversion",
        ],
    )
    def test_by_sql(self, study: Any, clinician: Any, sql: str) -> None:
        confirm(study, clinician)
        refused_by_the_database(sql)

    @pytest.mark.parametrize(
        "change", ["confirmed_at = now()", "document = 'x'", "number = 2", "sha256 = 'x'"]
    )
    def test_by_sql_before(self, study: Any, change: str) -> None:
        refused_by_the_database(f"UPDATE studies_protocolversion SET {change}")

    def test_a_change_behind_the_house_voids_the_signature(
        self, study: Any, clinician: Any
    ) -> None:
        version = confirm(study, clinician)
        looser = DEMO.replace(
            "pass_from = 60, pass_below = 100", "pass_from = 55, pass_below = 100", 1
        )
        with guards_off("studies_protocolversion") as cursor:
            cursor.execute(
                "UPDATE studies_protocolversion SET document = %s, sha256 = %s WHERE id = %s",
                [looser, protocol_hash(looser), version.pk],
            )
        assert confirmation_void(version_of(study))


class TestState:
    @pytest.mark.parametrize(
        ("steps", "fine"),
        [
            (["paused", "open", "paused", "closed"], True),
            (["closed"], True),
            (["open"], False),
            (["setup"], False),
            (["closed", "open"], False),
            (["closed", "closed"], False),
        ],
    )
    def test_moves(
        self, study: Any, lead: Any, actor_of: Any, steps: list[str], fine: bool
    ) -> None:
        for step in steps[:-1]:
            study_state_set(study=study, state=step, reason="because", actor=actor_of(lead))
        if fine:
            done = study_state_set(
                study=study, state=steps[-1], reason="because", actor=actor_of(lead)
            )
            assert done.state == steps[-1]
        else:
            with pytest.raises((Refused, Conflict)):
                study_state_set(
                    study=study, state=steps[-1], reason="because", actor=actor_of(lead)
                )

    def test_pausing_needs_a_reason(self, study: Any, lead: Any, actor_of: Any) -> None:
        with pytest.raises(Refused, match="Say why"):
            study_state_set(study=study, state="paused", reason=" ", actor=actor_of(lead))
        assert Study.objects.get(pk=study.pk).state == "open"

    def test_only_the_lead(self, study: Any, clinician: Any, actor_of: Any) -> None:
        with pytest.raises(NotAllowed):
            study_state_set(study=study, state="paused", reason="x", actor=actor_of(clinician))
