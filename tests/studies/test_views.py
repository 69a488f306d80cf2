"""The set-up pages: reading a version, adding one, confirming limits."""

import re
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from studylab.people.models import Signature
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.loader import protocol_hash
from tests import cast
from tests.cast import DOCUMENTS, PASSWORD

pytestmark = [pytest.mark.django_db, pytest.mark.database]
DEMO = (DOCUMENTS / "demo.toml").read_text(encoding="utf-8")
STRICTER = DEMO.replace("pass_from = 60, pass_below = 100", "pass_from = 65, pass_below = 100", 1)


def url(name: str, study: Any, **kwargs: Any) -> str:
    return reverse(name, kwargs={"study": study.slug, **kwargs})


def text_of(answer: Any) -> str:
    """Return the words of a page, without tags and with single blanks."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


class TestSetUp:
    def test_what_is_missing_is_said(self, client_of: Any, lead: Any, study: Any) -> None:
        page = client_of(lead).get(url("set_up", study))
        words = text_of(page)
        assert "until then dosing is refused" in words
        assert "Nobody holds this role today." in words
        assert "Lev Okonjo" in words

    def test_what_is_ready_is_said(
        self, client_of: Any, coordinator: Any, clinician: Any, confirmed: Any, study: Any
    ) -> None:
        words = text_of(client_of(coordinator).get(url("set_up", study)))
        assert "Confirmed for version 1." in words
        assert "dosing is refused" not in words
        assert "Add a protocol version" not in words

    def test_a_new_version_waits(
        self, client_of: Any, lead: Any, confirmed: Any, study: Any
    ) -> None:
        client = client_of(lead)
        client.post(url("protocol_add", study), {"document": STRICTER, "note": "pulse"})
        assert "Version 1 stays in force until version 2 is confirmed." in text_of(
            client.get(url("set_up", study))
        )


class TestVersionPage:
    def test_everything_of_the_document_is_there(
        self, client_of: Any, monitor: Any, study: Any
    ) -> None:
        answer = client_of(monitor).get(url("protocol_version", study, number=1))
        words = text_of(answer)
        for expected in (
            "Harbour Story", "America/Halifax", "911", "+1 902 555 0143",
            "start of visit 1", "22 h", "26 h", "dose of visit 2",
            "60 to 100", "100 to below 140", "90 to below 160", "80 minutes", "at least", "90 min",
            "Give the one capsule of the kit", "S-02.", "Propranolol 40 mg, Placebo", "Story version",
            "18 and 30 hours", "180 CAD", "not confirmed",
        ):  # fmt: skip
            assert expected.lower() in words.lower(), expected
        assert answer.content.decode().count('<svg class="line"') == 4

    def test_block_sizes_are_for_whoever_handles_the_list(
        self, client_of: Any, lead: Any, clinician: Any, pharmacist: Any, study: Any
    ) -> None:
        text = DEMO.replace("[allocation]", "[allocation]\nblock_sizes = [4, 8]")
        study.protocol_versions.create(
            number=2, document=text, sha256=protocol_hash(text), added_at=cast.PAST
        )
        page = url("protocol_version", study, number=2)
        assert "Block sizes 4, 8" in text_of(client_of(pharmacist).get(page))
        for person in (lead, clinician):
            shown = client_of(person).get(page).content.decode()
            assert "Block sizes" not in shown
            assert "block_sizes" not in shown
        sign = client_of(clinician).get(url("limits_confirm", study, number=2))
        assert "lock sizes" not in sign.content.decode()
        assert "block_sizes" not in client_of(lead).get(url("protocol_add", study)).content.decode()

    def test_no_such_version(self, client_of: Any, lead: Any, study: Any) -> None:
        assert client_of(lead).get(url("protocol_version", study, number=7)).status_code == 404

    def test_pages_hold_no_inline_style_or_script(
        self, client_of: Any, lead: Any, study: Any
    ) -> None:
        for page in (url("set_up", study), url("protocol_version", study, number=1)):
            shown = client_of(lead).get(page).content.decode()
            assert " style=" not in shown
            assert not re.search(r"<script(?![^>]*\bsrc=)", shown)


class TestAdding:
    def test_a_pasted_document(self, client_of: Any, lead: Any, study: Any) -> None:
        """A browser sends line ends as CR LF; the digest must be that of the file."""
        from studylab.studies.rules.loader import protocol_hash

        answer = client_of(lead).post(
            url("protocol_add", study),
            {
                "document": STRICTER.replace("\n", "\r\n"),
                "note": "pulse",
                "approval_on": "2026-02-01",
            },
        )
        assert answer["Location"] == url("protocol_version", study, number=2)
        version = ProtocolVersion.objects.get(number=2)
        assert version.sha256 == protocol_hash(STRICTER)
        assert (version.note, str(version.approval_on)) == ("pulse", "2026-02-01")

    def test_a_file(self, client_of: Any, lead: Any, study: Any) -> None:
        file = SimpleUploadedFile("study.toml", b"\xef\xbb\xbf" + STRICTER.encode())
        answer = client_of(lead).post(
            url("protocol_add", study), {"document": "old text", "file": file, "note": "n"}
        )
        assert answer.status_code == 302
        assert ProtocolVersion.objects.get(number=2).document == STRICTER

    @pytest.mark.parametrize("as_file", [False, True])
    def test_problems_are_listed_and_nothing_is_lost(
        self, client_of: Any, lead: Any, study: Any, as_file: bool
    ) -> None:
        broken = STRICTER.replace("target = 48", 'target = "many"  # keep me')
        data: dict[str, Any] = {"document": broken, "note": "my note"}
        if as_file:
            data = {"file": SimpleUploadedFile("s.toml", broken.encode()), "note": "my note"}
        answer = client_of(lead).post(url("protocol_add", study), data)
        assert answer.status_code == 422
        shown = answer.content.decode()
        assert "<code>target</code>" in shown
        assert "# keep me" in shown
        assert "my note" in shown
        (problem,) = answer.context["problems"]
        assert problem.fix in text_of(answer).replace("&quot;", '"').replace("&#x27;", "'")
        assert ProtocolVersion.objects.count() == 1

    @pytest.mark.parametrize(
        ("data", "field"),
        [
            ({"document": "", "note": "n"}, "document"),
            ({"document": STRICTER, "note": ""}, "note"),
            ({"document": STRICTER, "note": "n", "approval_on": "yesterday"}, "approval_on"),
            ({"file": SimpleUploadedFile("x.toml", b"\xff\xfe\x00"), "note": "n"}, "file"),
            ({"document": "a = \x00", "note": "n"}, "document"),
            ({"document": DEMO, "note": "n"}, "document"),
            ({"document": "]]]", "note": "n"}, "document"),
        ],
    )
    def test_bad_input_is_named(
        self, client_of: Any, lead: Any, study: Any, data: dict[str, Any], field: str
    ) -> None:
        if "file" in data:
            data["file"].seek(0)
        answer = client_of(lead).post(url("protocol_add", study), data)
        assert answer.status_code == 422
        assert answer.context["form"].errors[field]
        assert ProtocolVersion.objects.count() == 1

    def test_only_the_lead(self, client_of: Any, clinician: Any, study: Any) -> None:
        client = client_of(clinician)
        assert client.get(url("protocol_add", study)).status_code == 403
        answer = client.post(url("protocol_add", study), {"document": STRICTER, "note": "n"})
        assert answer.status_code == 403
        assert ProtocolVersion.objects.count() == 1


class TestConfirming:
    def test_read_and_sign(self, client_of: Any, clinician: Any, study: Any) -> None:
        client = client_of(clinician)
        page = url("limits_confirm", study, number=1)
        assert "I have read every limit" in text_of(client.get(page))
        done = client.post(page, {"read": "on", "password": PASSWORD}, follow=True)
        words = text_of(done)
        assert "confirmed and in force" in words
        assert "Milo Hartwell" in words
        assert "void" not in words
        assert "dosing is refused" not in words

    @pytest.mark.parametrize(
        ("data", "field"),
        [
            ({"read": "on", "password": "wrong"}, "password"),
            ({"password": PASSWORD}, "read"),
            ({}, "password"),
        ],
    )
    def test_nothing_is_signed_otherwise(
        self, client_of: Any, clinician: Any, study: Any, data: dict[str, str], field: str
    ) -> None:
        answer = client_of(clinician).post(
            url("limits_confirm", study, number=1), {"x": "1", **data}
        )
        assert answer.status_code == 422
        assert answer.context["form"].errors[field]
        assert PASSWORD not in answer.content.decode()
        assert not Signature.objects.exists()

    def test_the_difference_is_shown(
        self, client_of: Any, clinician: Any, lead: Any, study: Any
    ) -> None:
        signing = client_of(clinician)
        signing.post(url("limits_confirm", study, number=1), {"read": "on", "password": PASSWORD})
        client_of(lead).post(url("protocol_add", study), {"document": STRICTER, "note": "pulse"})
        shown = signing.get(url("limits_confirm", study, number=2)).content.decode()
        assert "<del>passes 60 to 100" in shown
        assert "<ins>passes 65 to 100" in shown

    def test_every_line_that_differs_is_shown_but_for_block_sizes(
        self, client_of: Any, clinician: Any, monitor: Any, study: Any
    ) -> None:
        signing = client_of(clinician)
        signing.post(url("limits_confirm", study, number=1), {"read": "on", "password": PASSWORD})
        text = STRICTER.replace("[allocation]", "[allocation]\nblock_sizes = [4, 8]")
        study.protocol_versions.create(
            number=2, document=text, sha256=protocol_hash(text), added_at=cast.PAST
        )
        for client, page in ((signing, "limits_confirm"), (client_of(monitor), "protocol_version")):
            shown = client.get(url(page, study, number=2)).content.decode()
            assert shown.count("<ins>+ ") == shown.count("<del>- ") == 1
            assert "block_sizes" not in shown
        first = client_of(monitor).get(url("protocol_version", study, number=1))
        assert "Every line that differs" not in text_of(first)

    def test_an_older_version_leads_to_the_newer(
        self, client_of: Any, clinician: Any, lead: Any, study: Any
    ) -> None:
        client_of(lead).post(url("protocol_add", study), {"document": STRICTER, "note": "pulse"})
        page = client_of(clinician).get(url("limits_confirm", study, number=1))
        assert url("limits_confirm", study, number=2) in page.content.decode()
        assert "form" not in re.findall(r'<input[^>]+name="password"', page.content.decode())

    def test_the_lead_cannot(self, client_of: Any, lead: Any, study: Any) -> None:
        page = url("limits_confirm", study, number=1)
        assert client_of(lead).post(page, {"read": "on", "password": PASSWORD}).status_code == 403


def test_the_state_changes_with_a_reason(client_of: Any, lead: Any, study: Any) -> None:
    client = client_of(lead)
    page = url("study_state", study)
    assert client.post(page, {"state": "paused"}).status_code == 422
    assert client.post(page, {"state": "setup", "reason": "x"}).status_code == 422
    assert client.post(page, {"state": "paused", "reason": "power cut"}).status_code == 302
    study.refresh_from_db()
    assert study.state == "paused"
    assert client.get(page).status_code == 200
