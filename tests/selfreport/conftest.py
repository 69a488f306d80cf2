"""A volunteer who has not agreed to anything yet, and one who has, each with a fresh link."""

from datetime import UTC, datetime
from typing import Any

import pytest

from screening.rules.self_report import Screen
from screening.selectors.self_report import screens_of
from studylab import clock
from studylab.access import Actor
from studylab.participants.models import Participant
from studylab.participants.services.links import MadeLink
from studylab.studies.selectors import current_protocol
from tests.participants.people import ANA, add
from tests.selfreport.phone import Phone, make

NOON = datetime(2026, 3, 10, 12, tzinfo=UTC)
BORN = {"year": ANA.birth_date.year, "month": ANA.birth_date.month, "day": ANA.birth_date.day}


@pytest.fixture
def ticking(monkeypatch: pytest.MonkeyPatch) -> datetime:
    """A clock that moves on by a second with every look, from a winter noon."""
    seconds = iter(range(10**9))

    def now() -> datetime:
        return datetime.fromtimestamp(NOON.timestamp() + next(seconds), UTC)

    monkeypatch.setattr(clock, "now", now)
    return NOON


@pytest.fixture
def bilingual(study: Any) -> Any:
    """The study, offered in English and French."""
    study.languages = ["en", "fr-ca"]
    study.save()
    return study


@pytest.fixture
def keeper(coordinator: Any, actor_of: Any) -> Actor:
    """The coordinator as an actor."""
    return actor_of(coordinator)


@pytest.fixture
def ana(keeper: Actor, bilingual: Any, ticking: datetime) -> Participant:
    """Ana, known by her contact details and by nothing else: she has agreed to nothing."""
    return add(keeper, bilingual, agreed_at=None, agreed_method="")


@pytest.fixture
def made(keeper: Actor, ana: Participant) -> MadeLink:
    """A link for Ana."""
    return make(keeper, ana)


@pytest.fixture
def version(bilingual: Any) -> str:
    """The version of the consent texts in force."""
    return current_protocol(bilingual).plan.consent_version


@pytest.fixture
def phone(made: MadeLink) -> Phone:
    """Ana's phone, let in by her link."""
    phone = Phone()
    assert phone.open(made.token).status_code == 302
    return phone


@pytest.fixture
def agreed(phone: Phone, version: str) -> Phone:
    """Ana's phone after she agreed."""
    assert phone.agree(version).status_code == 302
    return phone


@pytest.fixture
def all_screens(ana: Participant) -> tuple[Screen, ...]:
    """The screens of the questionnaire."""
    return screens_of(ana)
