"""The file of entries that a tablet could not send: looked at, taken in once, by the person who made them only."""

import base64
import hashlib
import json
import os
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from scheduling.models import StepRecord
from scheduling.rules.tablet_time import file_time
from scheduling.rules.unsent_file import MOST, UnsentFileWrong, read_unsent
from scheduling.views.kept import tablet_key
from studylab.audit.models import Event
from tests.scheduling.sheet.builder import MINUTE, Case
from tests.scheduling.sheet.values import SEEN

pytestmark = [pytest.mark.django_db, pytest.mark.database]
SEVEN = 7 * MINUTE


class Lost:
    """A tablet without network, seven minutes fast, and what its user can do with its file elsewhere."""

    def __init__(self, case: Case, role: str = "experimenter") -> None:
        self.case, self.user = case, case.users[role]
        self.acts: list[dict[str, Any]] = []
        self.client = Client()
        with case.now():
            self.client.force_login(self.user)
        self.url = reverse("unsent_file", args=[case.study.slug])

    def act(self, step: str, words: str = "done", **fields: Any) -> dict[str, Any]:
        """Keep an act, as the tablet's page does."""
        made = {
            "id": str(uuid4()), "base": f"/s/{self.case.study.slug}/", "visit": str(self.case.visit(1).uid),
            "step": step, "short": step.capitalize(), "words": words,
            "device_at": (self.case.t + SEVEN).isoformat(), "compared_ms": -420_000,
            "fields": {"act": "record", **fields},
        }  # fmt: skip
        self.acts.append(made)
        return made

    def file(self, person: str = "") -> str:
        """Return the file, sealed as a browser seals it."""
        person = person or str(self.user.pk)
        rows = []
        for act in self.acts:
            iv = os.urandom(12)
            box = AESGCM(tablet_key(str(self.user.pk))).encrypt(iv, json.dumps(act).encode(), None)
            rows.append({"person": person, "iv": _text(iv), "box": _text(box)})
        return whole(rows)

    def show(self, text: str) -> tuple[int, str]:
        """Hand the file in."""
        with self.case.now():
            file = SimpleUploadedFile("studylab-unsent.json", text.encode())
            answer = self.client.post(self.url, {"file": file})
        return answer.status_code, answer.content.decode()

    def take(self, text: str, *ids: str) -> tuple[int, str]:
        """Record what is ticked."""
        with self.case.now():
            answer = self.client.post(self.url, {"content": text, "take": "1", "entry": list(ids)})
        return answer.status_code, answer.content.decode()


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode()


def whole(rows: list[dict[str, str]]) -> str:
    lines = "\n".join(f"{row['person']}.{row['iv']}.{row['box']}" for row in rows)
    return json.dumps(
        {"studylab_unsent": 1, "rows": rows, "sha256": hashlib.sha256(lines.encode()).hexdigest()}
    )


@pytest.fixture
def lost(first: Case) -> Lost:
    """The identity was checked, and three minutes later the welcome said, without network; two hours ago by now."""
    tablet = Lost(first)
    tablet.act("identity", "name and birth date", **SEEN)
    first.forward(3)
    tablet.act("welcome", done="True")
    first.forward(120)
    return tablet


def test_each_entry_is_shown_first_and_then_recorded_at_its_own_time(lost: Lost) -> None:
    text = lost.file()
    status, page = lost.show(text)
    assert status == 200
    assert page.count("Will be recorded.") == 2
    assert page.count('name="entry"') == 2
    assert not StepRecord.objects.exists()  # looking records nothing
    status, page = lost.take(text, *[act["id"] for act in lost.acts])
    assert status == 200
    assert "2 recorded, 0 there already, 0 not taken" in page
    rows = list(StepRecord.objects.order_by("id"))
    began = lost.case.t - 123 * MINUTE
    assert [row.occurred_at for row in rows] == [began, began + 3 * MINUTE]
    assert {(row.recorded_at, row.time_uncertain, row.device) for row in rows} == {
        (lost.case.t, True, "file of a tablet")
    }
    assert {row.recorded_by for row in rows} == {lost.user}
    (event,) = Event.objects.filter(action="tablet.unsent_taken")
    assert event.data == {
        "sha256": hashlib.sha256(text.encode()).hexdigest(), "taken": 2, "before": 0, "refused": 0,
    }  # fmt: skip


def test_what_came_before_is_not_taken_twice_and_the_tablet_may_still_send_it(lost: Lost) -> None:
    text, ids = lost.file(), [act["id"] for act in lost.acts]
    lost.take(text, *ids)
    assert lost.show(text)[1].count("On record already.") == 2
    assert "0 recorded, 2 there already" in lost.take(text, *ids)[1]
    twice = Lost(lost.case)
    twice.acts = [*lost.acts, lost.acts[0]]
    assert "0 recorded, 3 there already" in twice.take(twice.file(), *ids)[1]
    act = lost.acts[1]
    sent = {
        **act["fields"], "client_id": act["id"], "person": lost.user.pk, "device_at": act["device_at"],
        "compared_ms": act["compared_ms"], "sent_at": (lost.case.t + SEVEN).isoformat(),
    }  # fmt: skip
    with lost.case.now():
        url = reverse("step_act", args=[lost.case.study.slug, act["visit"], act["step"]])
        assert lost.client.post(url, sent).status_code == 200
    assert StepRecord.objects.count() == 2


def test_what_follows_a_refused_entry_of_a_visit_waits_and_what_is_not_ticked_is_left(
    lost: Lost,
) -> None:
    lost.acts[0]["fields"]["identifiers"] = ["name"]
    text = lost.file()
    page = lost.show(text)[1]
    assert "An entry of this visit before it was not taken in." in page
    assert 'name="entry"' not in page
    assert lost.take(text)[0] == 422
    status, page = lost.take(text, lost.acts[1]["id"], "nonsense")
    assert status == 200
    assert (
        "0 recorded, 0 there already, 1 not taken, 1 left out" in page
    )  # it would be out of order
    assert not StepRecord.objects.exists()


def test_files_of_others_of_another_study_changed_or_none_at_all_are_refused(lost: Lost) -> None:
    other = Lost(lost.case, "second")
    text = lost.file()
    status, page = other.show(text)
    assert status == 422
    assert "made by somebody else" in page
    assert "identity" not in page.casefold().partition("<main")[2]
    renamed = lost.file(person=str(other.user.pk))  # somebody else's name on them opens nothing
    assert "was changed" in other.show(renamed)[1]
    rows = json.loads(text)["rows"]
    changed = [{**rows[0], "box": _text(b"\x00" + base64.b64decode(rows[0]["box"])[1:])}, rows[1]]
    for wrong, said in (
        (whole(changed), "was changed"), (text.replace('"iv": "', '"iv": "AA'), "was changed"), (text[:-40], "no file of unsent"),
        ("{}", "no file of unsent"), ("[1]", "no file of unsent"), ("", "file is empty"), ("\x00", "no file of unsent"), (whole([]), "holds no entries"),
        (whole([{"person": "1", "iv": "?", "box": "?"}]), "was changed"), (whole(rows[:1] * (MOST + 1)), "at most"),
        ("[" * 100_000, "no file of unsent"),
    ):  # fmt: skip
        status, page = lost.show(wrong)
        assert (status, said in page) == (422, True), wrong[:60]
    for act in lost.acts:
        act["base"] = "/s/another-story/"
    assert "of another study" in lost.show(lost.file())[1]
    with lost.case.now():
        latin = SimpleUploadedFile("studylab-unsent.json", b"\xff\xfe")
        assert lost.client.post(lost.url, {"file": latin}).status_code == 422
        assert lost.client.post(lost.url, {}).status_code == 422
        assert lost.client.get(lost.url).status_code == 200
    assert not StepRecord.objects.exists()
    assert not Event.objects.filter(action="tablet.unsent_taken").exists()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"words": "\ud800"}, "was changed"), ({"words": "\x00"}, "was changed"), ({"compared_ms": 10**30}, "was changed"),
        ({"compared_ms": "x"}, "was changed"), ({"device_at": "9999-12-31T23:00:00+00:00"}, "was changed"),
        ({"device_at": "2026-11-23T11:00:00"}, "was changed"), ({"fields": []}, "was changed"), ({"fields": None}, "was changed"),
        ({"id": "1"}, "was changed"), ({"fields": {"act": []}}, "least two"), ({"fields": {"act": "steal"}}, "no such step"),
        ({"step": "x" * 5000}, "no such step"),
    ],
)  # fmt: skip
def test_what_no_tablet_of_ours_writes_is_refused_in_words(
    lost: Lost, changes: dict[str, Any], said: str
) -> None:
    """The maker's own key seals it, so nothing but reading it stands in the way."""
    lost.acts = [lost.acts[0] | changes]
    page = lost.show(lost.file())[1]
    assert said in page
    assert not StepRecord.objects.exists()


def test_entries_that_belong_nowhere_or_need_the_server_are_named(lost: Lost) -> None:
    lost.acts[0]["visit"] = str(uuid4())
    lost.acts[1]["step"] = "nowhere"
    page = lost.show(lost.file())[1]
    assert "There is no such visit in this study." in page
    assert "This visit has no such step." in page
    mixed = json.loads(lost.file())["rows"]
    mixed.append({**mixed[0], "person": "999999"})
    assert "The file holds 1 more" in lost.show(whole(mixed))[1]


def test_roles_that_run_no_visits_have_no_such_page(lost: Lost) -> None:
    with lost.case.now():
        lost.client.force_login(lost.case.users["coordinator"])
        assert lost.client.get(lost.url).status_code == 403


def test_the_time_of_a_file_is_uncertain_and_never_impossible(first: Case) -> None:
    at, now = first.t, first.t + 60 * MINUTE
    early, late = at - 90 * MINUTE, now + 5 * MINUTE
    for shown, compared, happened in (
        (at + SEVEN, -SEVEN, at), (at, None, at), (early, None, at - 30 * MINUTE), (late, None, now), (late, -SEVEN, now - 2 * MINUTE),
    ):  # fmt: skip
        found = file_time(
            device_at=shown, received_at=now, compared=compared, not_before=at - 30 * MINUTE
        )
        assert (found.happened_at, found.uncertain) == (happened, True)
        assert found.offset == (compared or timedelta(0))


def test_a_row_without_its_parts_is_damage() -> None:
    with pytest.raises(UnsentFileWrong, match="not whole"):
        read_unsent(json.dumps({"studylab_unsent": 1, "rows": [1], "sha256": ""}))
