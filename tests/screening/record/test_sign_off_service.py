"""The physician's decision: what it needs, what it is bound to, and when it no longer stands."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError

from screening.models import Assessment, SignOff
from screening.selectors import newest_answers, newest_assessment, sign_off_state
from screening.selectors.sign_off import signature_fits
from screening.services import ecg_read
from studylab import clock
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.people.models import Signature
from studylab.people.services.signatures import WrongPassword
from tests.cast import DOCUMENTS
from tests.screening.record import checks, people

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def flagged(waiting: Any, cora: Any) -> Assessment:
    """Change one answer so that a physician has to decide it; return the new assessment."""
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Asked again.",
        no_medicines=False, medicines=[{"name": "Granny's blue drops", "prescribed": False}],
    )  # fmt: skip
    made = newest_assessment(waiting, "screening")
    assert made is not None
    assert made.outcome == Assessment.Outcome.PHYSICIAN
    return made


def test_a_clear_assessment_is_signed(waiting: Any, milo: Any) -> None:
    signed = people.sign(waiting, milo)
    assert signed.valid_until == clock.now() + timedelta(days=28)
    assert signed.signature.content["inputs_digest"] == signed.assessment.inputs_digest
    assert signed.signature.content["decision"] == "eligible"
    state = sign_off_state(waiting, clock.now())
    assert (state.kind, state.sign_off) == ("eligible", signed)
    assert Event.objects.filter(action="sign_off.given", participant_code=waiting.code).exists()


@pytest.mark.shows("A-24")
def test_only_a_clinician_signs(
    waiting: Any, cora: Any, edda: Any, lead: Any, pharmacist: Any, actor_of: Any
) -> None:
    for actor in (cora, edda, actor_of(lead), actor_of(pharmacist)):
        with pytest.raises(NotAllowed):
            people.sign(waiting, actor)
    assert not SignOff.objects.exists()


def test_a_wrong_password_signs_nothing_and_is_on_the_trail(waiting: Any, milo: Any) -> None:
    before = Signature.objects.count()
    with pytest.raises(WrongPassword):
        people.sign(waiting, milo, password="not this one at all")
    assert Signature.objects.count() == before
    assert Event.objects.filter(action="signature.refused", subject_code=waiting.code).exists()


def test_nothing_is_signed_while_the_limits_are_not_confirmed(
    at_ten: None, study: Any, cora: Any, milo: Any
) -> None:
    participant = people.ready(study, cora, milo)
    with pytest.raises(Refused, match="No physician has confirmed the limits"):
        people.sign(participant, milo)


def test_every_item_needs_a_decision_with_its_reason(waiting: Any, cora: Any, milo: Any) -> None:
    flagged(waiting, cora)
    item = {"rule_id": "M-unknown", "decision": "accept", "reason": ""}
    for items in ([], [item], [{**item, "decision": "refuse", "reason": "Unknown."}]):
        with pytest.raises(RefusedWithReasons) as refusal:
            people.sign(waiting, milo, item_decisions=items)
        assert len(refusal.value.reasons) == 1
        assert "Granny's blue drops" in refusal.value.reasons[0]
    people.sign(
        waiting, milo, item_decisions=[{**item, "reason": "Peppermint oil, seen the bottle."}]
    )
    assert sign_off_state(waiting, clock.now()).eligible


def test_two_medicines_unknown_to_the_list_are_two_items(
    waiting: Any, cora: Any, milo: Any
) -> None:
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Asked again.",
        no_medicines=False,
        medicines=[{"name": "Blue drops", "prescribed": False}, {"name": "Red drops", "prescribed": True}],
    )  # fmt: skip
    item = {"rule_id": "M-unknown", "said": "Blue drops", "decision": "accept", "reason": "Mint."}
    with pytest.raises(RefusedWithReasons) as refusal:
        people.sign(waiting, milo, item_decisions=[item])
    assert len(refusal.value.reasons) == 1
    assert "Red drops" in refusal.value.reasons[0]
    people.sign(waiting, milo, item_decisions=[item, {**item, "said": "Red drops"}])


def test_a_decision_on_what_is_no_item_is_refused(waiting: Any, milo: Any) -> None:
    with pytest.raises(Refused, match="no item"):
        people.sign(
            waiting, milo, item_decisions=[{"rule_id": "C-01", "decision": "accept", "reason": "x"}]
        )


@pytest.mark.parametrize(
    ("changed", "message"), [({"C_01": "yes"}, "exclude this person"), ({"C_02": None}, "missing")]
)
def test_exclusion_and_gaps_cannot_be_signed_away(
    waiting: Any, cora: Any, milo: Any, changed: dict[str, Any], message: str
) -> None:
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Asked again.",
        answers=people.quiet_answers(waiting, **changed),
    )  # fmt: skip
    with pytest.raises(Refused, match=message):
        people.sign(waiting, milo)
    assert not SignOff.objects.exists()


@pytest.mark.parametrize("outcome", ["exclude", "hold", "cannot_decide"])
@pytest.mark.shows("A-24")
def test_the_database_itself_refuses_an_override(waiting: Any, milo: Any, outcome: str) -> None:
    made = newest_assessment(waiting, "screening")
    assert made is not None
    closed = Assessment.objects.create(
        participant=waiting, gate="screening", outcome=outcome, findings=[], missing=[],
        table_version="x", table_hash="0" * 64, protocol_version=made.protocol_version,
        inputs_digest="0" * 64, made_at=clock.now(),
    )  # fmt: skip
    signature = Signature.objects.filter(user_id=milo.user_id).first()
    assert signature is not None
    with pytest.raises(IntegrityError, match="cannot be signed eligible"):
        people.sql(
            """INSERT INTO screening_signoff (participant_id, assessment_id, decision, item_decisions,
                   reason, signature_id, signed_at, valid_until)
                   VALUES (%s, %s, 'eligible', '[]', 'By phone.', %s, %s, %s)""",
            [waiting.pk, closed.pk, signature.pk, clock.now(), clock.now()],
        )


def test_a_value_outside_has_to_be_measured_again_first(
    volunteer: Any, confirmed: Any, cora: Any, milo: Any
) -> None:
    people.answer(volunteer, cora)
    people.measure(volunteer, milo, readings=people.readings(people.same(110, pulse=47)))
    ecg_read(check=checks.check(volunteer, milo, "ecg"), conclusion="normal", note="", actor=milo)
    with pytest.raises(Refused, match="measured again on another day"):
        people.sign(
            volunteer, milo,
            item_decisions=[{"rule_id": "V-pulse-outside", "decision": "accept", "reason": "Runs a lot."}],
        )  # fmt: skip


def test_a_change_after_the_page_was_opened_is_a_conflict(
    waiting: Any, cora: Any, milo: Any
) -> None:
    seen = newest_assessment(waiting, "screening")
    flagged(waiting, cora)
    with pytest.raises(Conflict, match="changed since you opened"):
        people.sign(waiting, milo, assessment=seen)


@pytest.mark.shows("S-09")
def test_a_changed_answer_makes_the_sign_off_void(waiting: Any, cora: Any, milo: Any) -> None:
    signed = people.sign(waiting, milo)
    flagged(waiting, cora)
    state = sign_off_state(waiting, clock.now())
    assert (state.kind, state.sign_off) == ("void", signed)
    assert "changed after the signature" in state.why


def test_answers_changed_and_changed_back_still_make_it_void(
    waiting: Any, cora: Any, milo: Any
) -> None:
    people.sign(waiting, milo)
    flagged(waiting, cora)
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Changed back."
    )
    assert sign_off_state(waiting, clock.now()).kind == "void"


def test_a_new_protocol_makes_the_sign_off_void(
    waiting: Any, study: Any, clinician: Any, milo: Any
) -> None:
    from studylab.studies.models import ProtocolVersion
    from studylab.studies.rules.loader import protocol_hash
    from tests.cast import confirm_limits

    people.sign(waiting, milo)
    text = (
        (DOCUMENTS / "demo.toml")
        .read_text(encoding="utf-8")
        .replace("sign_off_valid_days = 28", "sign_off_valid_days = 14")
    )
    ProtocolVersion.objects.create(
        study=study, number=2, document=text, sha256=protocol_hash(text), added_at=clock.now()
    )
    assert sign_off_state(waiting, clock.now()).kind == "eligible"  # a draft rules nobody
    confirm_limits(study, clinician)
    state = sign_off_state(waiting, clock.now())
    assert state.kind == "void"
    assert "protocol or the rules" in state.why
    with pytest.raises(Conflict, match="Run the rules again"):
        people.sign(waiting, milo)


def test_a_sign_off_grows_too_old(waiting: Any, milo: Any) -> None:
    signed = people.sign(waiting, milo)
    just_before = signed.valid_until - timedelta(seconds=1)
    assert sign_off_state(waiting, just_before).kind == "eligible"
    assert sign_off_state(waiting, signed.valid_until).kind == "lapsed"


def test_needs_more_asks_and_nobody_leaves_the_path(waiting: Any, milo: Any) -> None:
    with pytest.raises(Refused, match="Say why"):
        people.sign(waiting, milo, decision="needs_more")
    people.sign(waiting, milo, decision="needs_more", reason="ECG first.")
    waiting.refresh_from_db()
    assert waiting.is_active
    assert sign_off_state(waiting, clock.now()).kind == "needs_more"


def test_not_eligible_ends_the_path_with_its_reason(waiting: Any, milo: Any) -> None:
    people.sign(waiting, milo, decision="not_eligible", reason="ECG shows a long PR interval.")
    waiting.refresh_from_db()
    assert (waiting.status, waiting.status_reason) == (
        "screened_out",
        "ECG shows a long PR interval.",
    )


def test_personal_limits_stop_at_the_floor(waiting: Any, milo: Any) -> None:
    for key, value in (
        ("pulse_from", 49.9),
        ("systolic_from", 89),
        ("diastolic_from", float("nan")),
    ):
        with pytest.raises(Refused, match="the floor of the protocol"):
            people.sign(waiting, milo, personal_limits={key: value})
    signed = people.sign(waiting, milo, personal_limits={"pulse_from": 52.0, "systolic_from": None})
    assert signed.personal_limits == {"pulse_from": 52.0}
    assert sign_off_state(waiting, clock.now()).eligible


def test_a_personal_limit_counts_before_the_dose(waiting: Any, edda: Any, milo: Any) -> None:
    visit = people.book_visit(waiting)
    values = people.readings(people.same(112, pulse=55))
    arguments = {"gate": "pre_dose", "visit_uid": visit, "readings": values}
    assert people.measure(waiting, edda, **arguments).verdict == "repeat"
    people.sign(waiting, milo, personal_limits={"pulse_from": 52.0})
    with clock.travel(people.NOW + timedelta(minutes=12)):
        arguments["readings"] = people.readings(people.same(112, pulse=55))
        assert people.measure(waiting, edda, **arguments).verdict == "pass"


def test_signed_rows_stay_as_they_are(waiting: Any, milo: Any) -> None:
    signed = people.sign(waiting, milo)
    for statement in (
        "UPDATE screening_signoff SET decision = 'needs_more', reason = 'x'",
        "DELETE FROM screening_signoff",
        "UPDATE screening_assessment SET outcome = 'clear'",
    ):
        with pytest.raises(Exception, match="Cannot update or delete"):
            people.sql(statement)
    assert signature_fits(signed)


def test_a_sign_off_whose_rows_say_something_else_is_void(waiting: Any, milo: Any) -> None:
    """The triggers off, as the owner of the tables could: the hash still tells."""
    import pgtrigger

    signed = people.sign(waiting, milo, decision="needs_more", reason="ECG first.")
    with pgtrigger.ignore():
        SignOff.objects.filter(pk=signed.pk).update(decision="eligible", requests=[])
    state = sign_off_state(waiting, clock.now())
    assert state.kind == "void"
    assert "not the same" in state.why
