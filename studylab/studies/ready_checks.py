"""What a study needs of its protocol, its people and its tablets."""

from collections.abc import Iterator
from datetime import datetime
from functools import lru_cache
from pathlib import Path

from studylab.access import ROLE_NAMES, Cap, Role
from studylab.people.selectors import holding_on, today_in
from studylab.people.selectors.devices import devices_of
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.loader import load_protocol
from studylab.studies.rules.readiness import Before, Ready, Stands
from studylab.studies.selectors import current_protocol, newest_version, plan_of

DOCUMENTS = Path(__file__).parent / "documents"
_BEFORE = {Role.EXPERIMENTER: Before.BOOKING, Role.PHARMACIST: Before.DOSE}


@lru_cache(maxsize=1)
def shipped_phones() -> frozenset[str]:
    """Return the 24-hour numbers of the documents that ship: nobody answers there."""
    texts = (path.read_text(encoding="utf-8") for path in DOCUMENTS.glob("*.toml"))
    return frozenset(load_protocol(text).phone_24h for text in texts)


def protocol_lines(study: Study, _at: datetime) -> Iterator[Ready]:
    """Yield the protocol version, whether its limits are confirmed, and its telephone numbers."""
    newest = newest_version(study)
    if newest is None:
        yield Ready(
            "protocol", "Protocol", Before.VOLUNTEER, Stands.MISSING, "No protocol document yet.",
            Cap.SETUP_EDIT, "protocol_add",
        )  # fmt: skip
        return
    yield Ready(
        "protocol", f"Protocol version {newest.number}", Before.VOLUNTEER, Stands.READY,
        plan_of(newest).title, Cap.SETUP_VIEW, "protocol_version", {"number": newest.number},
    )  # fmt: skip
    yield _limits(study, newest)
    yield _phones(study)


def _limits(study: Study, newest: ProtocolVersion) -> Ready:
    now = current_protocol(study)
    cap, page, where = Cap.LIMITS_CONFIRM, "limits_confirm", {"number": newest.number}
    title = f"Limits of protocol version {newest.number}"
    if not now.confirmed:
        text = "Confirm them by signature; until then dosing is refused."
        return Ready("limits", title, Before.DOSE, Stands.MISSING, text, cap, page, where)
    if newest.number != now.version.number:
        text = f"Version {now.version.number} stays in force until version {newest.number} is confirmed."
        return Ready("limits", title, Before.DOSE, Stands.LOOK, text, cap, page, where)
    text = f"Confirmed for version {newest.number}."
    return Ready(
        "limits", title, Before.DOSE, Stands.READY, text, Cap.SETUP_VIEW, "protocol_version", where
    )


def _phones(study: Study) -> Ready:
    plan = current_protocol(study).plan
    said = f"Emergency {plan.emergency_number}, day and night {plan.phone_24h}."
    stands = Stands.READY
    if plan.phone_24h in shipped_phones():
        said = f"{said} This 24-hour number is the one of the document that ships: put your own."
        stands = Stands.LOOK
    return Ready(
        "phones", "Telephone numbers", Before.VOLUNTEER, stands, said, Cap.SETUP_EDIT, "protocol_add"
    )  # fmt: skip


def people_lines(study: Study, _at: datetime) -> Iterator[Ready]:
    """Yield each role with how many hold it today; a study needs two pharmacists, who identify kits together."""
    names: dict[str, list[str]] = {}
    members = study.memberships.filter(holding_on(today_in(study.timezone)), user__is_active=True)
    for role, name in members.order_by("user__name").values_list("role", "user__name"):
        names.setdefault(role, []).append(name)
    for role in Role:
        held = names.get(role.value, [])
        stands, said = Stands.READY, ", ".join(held)
        if not held:
            stands, said = Stands.MISSING, "Nobody holds this role today."
            if role is Role.MONITOR:
                stands, said = Stands.LOOK, "Nobody holds this role today; it may be given later."
        elif role is Role.PHARMACIST and len(held) < 2:
            stands = Stands.MISSING
            said = f"Only {held[0]}: a second pharmacist is needed to identify kits."
        before = _BEFORE.get(role, Before.VOLUNTEER)
        yield Ready(
            f"role-{role}", ROLE_NAMES[role], before, stands, said, Cap.PEOPLE_MANAGE, "people"
        )


def study_lines(study: Study, _at: datetime) -> Iterator[Ready]:
    """Yield whether the study is open, and whether tablets are named."""
    is_open = study.state == Study.State.OPEN
    said = f"The study is {study.get_state_display()}."
    if study.state == Study.State.SETUP:
        said = f"{said} Open it once everything else is ready."
    yield Ready(
        "state", "State of the study", Before.VOLUNTEER, Stands.READY if is_open else Stands.LOOK, said,
        Cap.SETUP_EDIT, "study_state",
    )  # fmt: skip
    named = [one.name for one in devices_of(study) if one.revoked_at is None]
    text = ", ".join(named) or (
        "None is named. Only a named tablet locks by itself and keeps steps when the network goes."
    )
    yield Ready(
        "tablets", "Tablets of the lab", Before.BOOKING, Stands.READY if named else Stands.LOOK, text,
        Cap.DEVICE_MANAGE, "devices",
    )  # fmt: skip
