"""Contact details are encrypted, apart from the study's record, and nowhere else."""

import json
from datetime import datetime
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection

from studylab.access import Actor
from studylab.audit.models import Event, RowChange
from studylab.errors import NotAllowed, Refused
from studylab.participants import contact
from studylab.participants.models import Contact, IdentityKey, Participant
from studylab.participants.selectors import birth_date, contact_details
from studylab.participants.services import DuplicateDecision, contact_change, contact_read
from tests.participants.people import ANA, BEN, add, like

pytestmark = [pytest.mark.django_db, pytest.mark.database]

WORDS = [
    "Lopez",
    "lopez",
    "Ana",
    "Maria",
    "1998-03-04",
    "ana.lopez@mail.example",
    "900111",
    "Quay Row",
    "Rosa",
]


def whole_database() -> str:
    """Return every row of every table as text, binary columns included as they are."""
    rows = []
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names(cursor):
            cursor.execute(f'SELECT * FROM "{table}"')
            rows += [
                repr([bytes(v) if isinstance(v, memoryview) else v for v in row]) for row in cursor
            ]
    return "\n".join(rows)


def test_no_table_holds_a_contact_detail(ana: Participant, keeper: Actor) -> None:
    """Not one word of the details stands in any table after adding, looking and changing."""
    contact_read(participant=ana, actor=keeper)
    contact_change(participant=ana, details=like(ANA, phone="07700 900999"), actor=keeper)
    text = whole_database()
    assert ana.code in text, "the search does see the rows"
    for word in [*WORDS, "900999"]:
        assert word not in text, word


def test_box_opens_for_its_person_only(ana: Participant) -> None:
    """Moved to another person's row, the same bytes do not open."""
    box = bytes(Contact.objects.get().box)
    assert contact.box_open(box, ana.person.uid) == ANA
    with pytest.raises(contact.ContactUnreadable):
        contact.box_open(box, uuid4())


@pytest.mark.parametrize("at", [0, 1, 13, -1])
def test_a_changed_byte_does_not_open(ana: Participant, at: int) -> None:
    """Format, nonce, content and tag: a flipped bit anywhere is noticed."""
    box = bytearray(bytes(Contact.objects.get().box))
    box[at] ^= 1
    with pytest.raises(contact.ContactUnreadable):
        contact.box_open(bytes(box), ana.person.uid)


def test_another_key_opens_nothing_and_finds_nobody(ana: Participant, settings: Any) -> None:
    """The message names the setting; the hashes of the same name differ too."""
    before = contact.identity_keys(ANA)
    settings.CONTACT_KEY = b"another key of thirty-two bytes!"
    with pytest.raises(contact.ContactUnreadable, match="STUDYLAB_CONTACT_KEY"):
        contact.box_open(bytes(Contact.objects.get().box), ana.person.uid)
    assert not set(before) & set(contact.identity_keys(ANA))


def test_same_details_never_make_the_same_box() -> None:
    """The nonce is fresh every time, so equal details cannot be seen to be equal."""
    uid = uuid4()
    assert contact.box_seal(ANA, uid) != contact.box_seal(ANA, uid)


def test_box_and_hashes_use_different_keys() -> None:
    """Neither key is the setting itself, and they differ (HKDF, RFC 5869)."""
    keys = {contact._key(contact._BOX_PURPOSE), contact._key(contact._IDENTITY_PURPOSE)}
    from django.conf import settings

    assert len(keys | {settings.CONTACT_KEY}) == 3
    assert {len(key) for key in keys} == {32}


def test_hkdf_is_the_published_one() -> None:
    """RFC 5869, appendix A.3: SHA-256 with empty salt and info, first 32 bytes of the output."""
    derived = contact._derived(bytes.fromhex("0b" * 22), b"")
    assert derived.hex() == "8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d"


@pytest.mark.shows("V-14.2.6")
def test_looking_is_on_the_trail(ana: Participant, keeper: Actor, noon: datetime) -> None:
    """Who, whom, when; and not what."""
    assert contact_read(participant=ana, actor=keeper) == ANA
    event = Event.objects.get(action="volunteer.contact_read")
    assert (event.actor_label, event.participant_code, event.at) == (keeper.label, ana.code, noon)
    assert event.data == {}


@pytest.mark.parametrize("who", ["lead", "monitor", "pharmacist"])
@pytest.mark.shows("V-8.2.3", "V-14.2.6")
def test_others_cannot_look(ana: Participant, who: str, request: Any, actor_of: Any) -> None:
    """Roles without the capability are refused by the service itself."""
    with pytest.raises(NotAllowed):
        contact_read(participant=ana, actor=actor_of(request.getfixturevalue(who)))
    assert not Event.objects.filter(action="volunteer.contact_read").exists()


def test_role_of_another_study_does_not_reach(ana: Participant, outsider: Any) -> None:
    """A coordinator elsewhere holds the capability there only."""
    from studylab.people.selectors import actor_for
    from studylab.studies.models import Study

    other = actor_for(outsider, Study.objects.get(slug="other-study"))
    with pytest.raises(NotAllowed):
        contact_read(participant=ana, actor=other)
    with pytest.raises(NotAllowed):
        contact_change(participant=ana, details=BEN, actor=other)


def test_change_keeps_the_former_name_findable(ana: Participant, keeper: Actor) -> None:
    """A new surname is added to what finds her; the trail names the field, not the names."""
    before = set(IdentityKey.objects.values_list("kind", "digest"))
    changed = contact_change(participant=ana, details=like(ANA, family_name="Berg"), actor=keeper)
    assert changed == ["family_name"]
    assert before < set(IdentityKey.objects.values_list("kind", "digest"))
    event = Event.objects.get(action="volunteer.contact_changed")
    assert event.data == {"changed": ["family_name"]}
    assert contact_details(ana.person) == like(ANA, family_name="Berg")


def test_row_history_says_nothing_of_details(ana: Participant, keeper: Actor) -> None:
    """No old box is kept: an old name would outlive its own erasure."""
    contact_change(participant=ana, details=like(ANA, family_name="Berg"), actor=keeper)
    tables = set(RowChange.objects.values_list("table_name", flat=True))
    assert not tables & {"participants_contact", "participants_identitykey"}
    assert "Lopez" not in json.dumps(list(RowChange.objects.values("old", "new")), default=str)


def test_change_into_somebody_else_asks(ana: Participant, keeper: Actor, study: Any) -> None:
    """Ben given Ana's name and birth date looks like Ana; a reason keeps them apart."""
    ben = add(keeper, study, BEN)
    twin = like(BEN, family_name="Lopez", given_names="Ana Maria", birth_date=ANA.birth_date)
    with pytest.raises(Refused) as refused:
        contact_change(participant=ben, details=twin, actor=keeper)
    assert refused.value.code == "likely_duplicate"
    contact_change(
        participant=ben, details=twin, decision=DuplicateDecision(reason="two people, both seen"),
        actor=keeper,
    )  # fmt: skip
    assert birth_date(ben) == ANA.birth_date


def test_erased_details_stay_erased(ana: Participant, keeper: Actor, noon: datetime) -> None:
    """They read as nothing, and are not brought back by a change."""
    Contact.objects.update(erased_at=noon, box=b"")
    assert contact_read(participant=ana, actor=keeper) is None
    assert birth_date(ana) is None
    with pytest.raises(Refused, match="erased"):
        contact_change(participant=ana, details=ANA, actor=keeper)
