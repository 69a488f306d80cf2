"""The cast of the tests: one person per role, an outsider, and an invented study."""

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from studylab import clock
from studylab.access import Actor, Role
from studylab.people.models import Membership, User
from studylab.people.selectors import actor_for
from studylab.studies.models import ProtocolVersion, Study

PASSWORD = "correct harbour lantern 7"
DOCUMENTS = Path(__file__).parent.parent / "studylab" / "studies" / "documents"
PAST = datetime(2026, 1, 5, 12, tzinfo=UTC)

NAMES = {
    Role.COORDINATOR: "Cora Lindqvist",
    Role.CLINICIAN: "Milo Hartwell",
    Role.PHARMACIST: "Petra Vance",
    Role.EXPERIMENTER: "Edda Marlow",
    Role.LEAD: "Lev Okonjo",
    Role.MONITOR: "Mona Sayers",
}


def make_user(name: str, **kwargs: Any) -> User:
    """Return a saved user called `name` with the cast's password."""
    email = name.lower().replace(" ", ".") + "@lab.example"
    user = User(email=email, name=name, added_at=PAST, **kwargs)
    user.set_password(PASSWORD)
    user.save()
    return user


def second_pharmacist(study: Study) -> User:
    """Return another pharmacist of the study, made when there is none."""
    found = User.objects.filter(email="piet.sorrel@lab.example").first() or make_user("Piet Sorrel")
    if not Membership.objects.filter(user=found, study=study).exists():
        join(found, study, Role.PHARMACIST)
    return found


def make_study(document: str = "demo", slug: str = "slide-story", prefix: str = "HB") -> Study:
    """Return a saved open study with one unconfirmed protocol version."""
    from studylab.studies.rules.loader import load_protocol, protocol_hash

    text = (DOCUMENTS / f"{document}.toml").read_text(encoding="utf-8")
    plan = load_protocol(text)
    study = Study.objects.create(
        slug=slug, title=plan.title, short_title=plan.short_title, timezone=plan.timezone,
        code_prefix=prefix, state=Study.State.OPEN, created_at=PAST, languages=["en"],
    )  # fmt: skip
    ProtocolVersion.objects.create(
        study=study, number=1, document=text, sha256=protocol_hash(text), added_at=PAST
    )
    return study


def join(user: User, study: Study, role: Role) -> Membership:
    """Give `user` a role in `study`, from long ago and without end."""
    return Membership.objects.create(
        user=user, study=study, role=role, starts_on=date(2026, 1, 1), granted_at=PAST
    )


def actor_of(user: User, study: Study) -> Actor:
    """Return the actor of `user` in `study`, as the middleware would."""
    return actor_for(user, study)


def shown_in(answer: Any) -> dict[str, str]:
    """What the form of a page says it was opened over, to be sent with it."""
    return {"shown": answer.content.decode().split('name="shown" value="')[1].split('"')[0]}


def practise(study: Study, clinician: User) -> None:
    """Have the clinician practise opening a code, straight in the tables: until then no dose is given."""
    from studylab.allocation.models import Drill
    from studylab.allocation.selectors.blinding import emergency_numbers, opening_rests_on

    now = clock.now()
    Drill.objects.create(
        study=study, by=clinician, began_at=now, ended_at=now, outside=True,
        numbers=emergency_numbers(study), rests_on=opening_rests_on(study),
    )  # fmt: skip


def confirm_limits(study: Study, clinician: User) -> ProtocolVersion:
    """Confirm the newest protocol version by the clinician's signature, straight in the tables."""
    from studylab.people.services.signatures import signature_write
    from studylab.studies.selectors import limits_content

    version = study.protocol_versions.order_by("-number").first()
    assert version is not None
    signature = signature_write(
        actor=actor_of(clinician, study), user=clinician, meaning="I confirm these limits",
        subject_type="protocol_version", subject_code=version.number,
        content=limits_content(version),
    )  # fmt: skip
    version.confirmed_at, version.confirmation = clock.now(), signature
    version.save(update_fields=["confirmed_at", "confirmation"])
    return version
