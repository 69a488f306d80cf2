"""Opening the whole list: locked data, two people, a file anybody can verify; and changing the key."""

import hashlib
import io
import json
from datetime import timedelta
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.allocation import gates, services
from studylab.allocation.gates import CannotOpen
from studylab.allocation.models import AllocationList, Assay, DataLock, ListEntry, ListOpening
from studylab.allocation.rules.sealed_list import read_file, remade
from studylab.allocation.selectors.verification import list_differences
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.services.signatures import WrongPassword
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol, plan_of
from tests import cast
from tests.allocation import helpers
from tests.allocation.raw_sql import refused_by_database

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture
def closed(numbered: Any) -> Study:
    """The study of a volunteer with a number, closed."""
    study = numbered.study
    Study.objects.filter(pk=study.pk).update(state="closed")
    study.refresh_from_db()
    return study


def lock(study: Study, lead: Any) -> DataLock:
    return services.data_lock(
        study=study, statement="Export kept at the lead's", password=cast.PASSWORD,
        actor=cast.actor_of(lead, study),
    )  # fmt: skip


def ask(study: Study, lead: Any) -> ListOpening:
    return services.opening_ask(
        study=study, reason="Analysis plan is signed", password=cast.PASSWORD,
        actor=cast.actor_of(lead, study),
    )  # fmt: skip


def agree(study: Study, user: Any, password: str = cast.PASSWORD) -> ListOpening:
    return services.opening_agree(study=study, password=password, actor=cast.actor_of(user, study))


@pytest.mark.shows("V-2.3.5")
def test_nothing_opens_before_both_signatures(
    closed: Study, lead: Any, clinician: Any, coordinator: Any
) -> None:
    Study.objects.filter(pk=closed.pk).update(state="open")
    with pytest.raises(Refused, match="not closed yet"):
        lock(closed, lead)
    Study.objects.filter(pk=closed.pk).update(state="closed")
    with pytest.raises(Refused, match="not declared locked"):
        ask(closed, lead)
    with pytest.raises(Refused, match="Nobody has asked"):
        agree(closed, clinician)
    lock(closed, lead)
    opening = ask(closed, lead)
    with pytest.raises(CannotOpen, match="two signatures"):
        gates.opened_list(opening, actor=cast.actor_of(lead, closed))
    for nobody in (lead, coordinator):
        with pytest.raises(NotAllowed):
            agree(closed, nobody)
    with pytest.raises(WrongPassword):
        agree(closed, clinician, "guess")
    with pytest.raises(CannotOpen):
        gates.opened_list(opening, actor=cast.actor_of(lead, closed))
    agree(closed, clinician)
    opened = gates.opened_list(opening, actor=cast.actor_of(lead, closed))
    assert len(opened.rows) == 60
    with pytest.raises(Conflict, match="open already"):
        agree(closed, clinician)


def test_one_person_in_two_roles_cannot_sign_twice(closed: Study, lead: Any) -> None:
    from studylab.access import Role

    cast.join(lead, closed, Role.CLINICIAN)
    lock(closed, lead)
    ask(closed, lead)
    with pytest.raises(Refused, match="somebody else's"):
        agree(closed, lead)
    sql = (
        "UPDATE allocation_listopening SET agreed_at = now(), agreed_by_id = asked_by_id, "
        "agreeing_id = asking_id"
    )
    refused_by_database(sql)
    refused_by_database("DELETE FROM allocation_listopening")
    refused_by_database("UPDATE allocation_datalock SET at = now()")


def test_sql_cannot_open_before_the_lock(closed: Study, lead: Any, sealed: Any) -> None:
    from tests.allocation.helpers import content_hash

    assert content_hash({})
    refused_by_database(
        "INSERT INTO allocation_listopening (uid, list_id, reason, asked_at, asked_by_id, asking_id) "
        "VALUES (gen_random_uuid(), %s, 'r', now(), %s, %s)",
        sealed.pk, lead.pk, sealed.sealing_id, says="only after the data were declared locked",
    )  # fmt: skip


def test_anybody_of_the_study_verifies_the_opened_list(
    closed: Study, lead: Any, clinician: Any, monitor: Any, client_of: Any
) -> None:
    """The list file's SHA-256, by hashlib alone, is the commitment that was published at sealing."""
    client = client_of(monitor)
    for name, kwargs in (("opened_list", {}), ("opened_file", {"kind": "json"})):
        page = reverse(name, kwargs={"study": closed.slug, **kwargs})
        assert client.get(page).status_code == 404
    lock(closed, lead)
    ask(closed, lead)
    agree(closed, clinician)
    sealed = AllocationList.objects.get()
    page = client.get(reverse("opened_list", kwargs={"study": closed.slug})).content.decode()
    assert "this is the list that was sealed" in page
    assert page.count(sealed.commitment) == 2
    file = client.get(reverse("opened_file", kwargs={"study": closed.slug, "kind": "json"}))
    assert hashlib.sha256(file.content).hexdigest() == sealed.commitment
    opened, plan, generator = read_file(file.content)
    assert remade(opened, plan, generator) == []
    table = client.get(reverse("opened_file", kwargs={"study": closed.slug, "kind": "csv"}))
    about, lines = [], []
    for line in table.content.decode().splitlines():
        (about if line.startswith("# ") else lines).append(line)
    assert sealed.commitment in about[-1]
    assert len(lines) == 61
    held = ListEntry.objects.get(participant__isnull=False)
    assert lines[1].startswith(f"{held.number},all,{held.participant.code},")
    assert Event.objects.filter(action="list.read").count() == 2
    names = {arm.key: arm.name for arm in plan.arms}
    assert names[gates.entry_to_verify(held)] in lines[1]


def test_a_laboratory_result_that_contradicts_the_list_is_explained_before_the_table_leaves(
    closed: Study, numbered: Any, lead: Any, clinician: Any, client_of: Any
) -> None:
    yesterday = clock.now().astimezone(closed.zone) - timedelta(days=1)
    taken = yesterday.strftime("%Y-%m-%dT%H:%M")
    result = {"sample": "saliva", "taken_at": taken, "reference": "Lab 4, report 12"}
    client, page = client_of(clinician), {"study": closed.slug}
    add = reverse("assay_add", kwargs={**page, "code": numbered.code})
    too_early = client.post(add, {**result, "found": "present"})
    assert "after the list is open" in too_early.content.decode()
    assert not Assay.objects.exists()
    lock(closed, lead)
    ask(closed, lead)
    agree(closed, clinician)
    held = gates.entry_to_verify(ListEntry.objects.get(participant=numbered))
    truth, other = ("present", "absent") if held == "active" else ("absent", "present")
    assert client.post(add, {**result, "found": truth}).status_code == 302
    assert client.post(add, {**result, "found": truth}).status_code == 409
    table = reverse("opened_file", kwargs={**page, "kind": "csv"})
    assert client.get(table).status_code == 200
    second = client.post(add, {**result, "sample": "blood", "found": other})
    assert second.status_code == 302
    assert client.get(table).status_code == 302
    shown = client.get(reverse("opened_list", kwargs=page)).content.decode()
    assert "contradicts" in shown
    assert "a laboratory result contradicts the list" in shown
    why = reverse("assay_explain", kwargs={**page, "uid": Assay.objects.get(sample="blood").uid})
    assert client.post(why, {"explanation": " "}).status_code == 422
    assert (
        client.post(why, {"explanation": "Tubes were swapped at the laboratory"}).status_code == 302
    )
    assert client.get(table).status_code == 200


@pytest.mark.shows("B-01", "B-04")
def test_an_export_holds_arms_once_the_list_is_open_and_not_before(
    closed: Study, numbered: Any, lead: Any, clinician: Any
) -> None:
    from studylab.reports.services.export_work import _arms
    from tests.reports.export import exported

    actor = cast.actor_of(lead, closed)
    lock(closed, lead)
    ask(closed, lead)
    assert _arms(closed, actor) is None
    agree(closed, clinician)
    arms = _arms(closed, actor)
    (row,) = exported(closed, arms=arms).rows("arms.csv")
    held = gates.entry_to_verify(ListEntry.objects.get(participant=numbered))
    names = {arm.key: arm.name for arm in current_protocol(closed).plan.allocation.arms}
    assert (row["code"], row["arm"]) == (numbered.code, names[held])


def test_a_list_file_is_verified_without_the_house(
    closed: Study, lead: Any, clinician: Any, tmp_path: Any
) -> None:
    lock(closed, lead)
    ask(closed, lead)
    opening = agree(closed, clinician)
    from studylab.allocation.selectors.unblinding import read_opened

    opened = read_opened(opening, cast.actor_of(lead, closed))
    path, out = tmp_path / "list.json", io.StringIO()
    path.write_bytes(opened.file)
    call_command(
        "verify_allocation", "--file", str(path), "--commitment", opened.published, stdout=out
    )
    assert "is the one that was sealed" in out.getvalue()
    document = json.loads(opened.file)
    first = next(i for i, r in enumerate(document["rows"]) if r[2] != document["rows"][0][2])
    document["rows"][0][2], document["rows"][first][2] = (
        document["rows"][first][2], document["rows"][0][2],
    )  # fmt: skip
    path.write_text(json.dumps(document, sort_keys=True, separators=(",", ":")))
    with pytest.raises(CommandError, match="differs"):
        call_command("verify_allocation", "--file", str(path), "--commitment", opened.published)
    path.write_text("{}")
    with pytest.raises(CommandError, match="not a list file"):
        call_command("verify_allocation", "--file", str(path))


def test_the_key_is_changed_as_a_whole_or_not_at_all(
    numbered: Any, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    import base64

    sealed, old = AllocationList.objects.get(), settings.ALLOCATION_KEY
    new = bytes(range(7, 39))
    with pytest.raises(CommandError, match="empty"):
        call_command("change_allocation_key")
    monkeypatch.setenv("STUDYLAB_ALLOCATION_KEY_NEW", base64.urlsafe_b64encode(old).decode())
    with pytest.raises(CommandError, match="present one"):
        call_command("change_allocation_key")
    monkeypatch.setenv("STUDYLAB_ALLOCATION_KEY_NEW", base64.urlsafe_b64encode(new).decode())
    settings.ALLOCATION_KEY = bytes(range(60, 92))
    with pytest.raises(CommandError, match="Nothing was changed"):
        call_command("change_allocation_key")
    settings.ALLOCATION_KEY = old
    assert list_differences(sealed) == []
    out = io.StringIO()
    call_command("change_allocation_key", stdout=out)
    assert "60 numbers and 2 batches" in out.getvalue()
    assert new.hex() not in out.getvalue()
    assert "another key" in list_differences(AllocationList.objects.get())[0]
    settings.ALLOCATION_KEY = new
    assert list_differences(AllocationList.objects.get()) == []
    assert AllocationList.objects.get().commitment == sealed.commitment
    refused_by_database("UPDATE allocation_allocationlist SET box = '\\x00'")
    helpers.prepare(
        numbered, numbered.study.memberships.get(role="pharmacist", user__name="Petra Vance").user
    )


def test_the_participant_flow_shows_arms_apart_only_after_the_second_signature(
    closed: Study, numbered: Any, lead: Any, clinician: Any
) -> None:
    client = Client()
    client.force_login(lead)
    pages = [reverse("progress", args=[closed.slug])]
    pages += [reverse("progress_file", args=[closed.slug, "flow", form]) for form in ("csv", "svg")]
    lock(closed, lead)
    ask(closed, lead)
    entry = ListEntry.objects.get(participant=numbered)
    plan = plan_of(entry.list.protocol_version).allocation
    arms = {arm.name for arm in plan.arms}
    for page in pages:
        text = client.get(page).content.decode()
        assert "Allocated (both arms)" in text
        assert not any(f"{arm} (n" in text or f",{arm}," in text for arm in arms)
    agree(closed, clinician)
    mine = next(arm.name for arm in plan.arms if arm.key == gates.entry_to_verify(entry))
    drawn, sheet, file = (client.get(page).content.decode() for page in pages)
    for text in (drawn, file):
        assert f"{mine} (n = 1)" in text
        assert all(f"{arm} (n = 0)" in text for arm in arms - {mine})
    assert f"Allocation,{mine},allocated,1" in sheet
