"""Drafts of study documents: kept while somebody types, made a study or a version, nothing lost."""

import re
from typing import Any

import pytest
from django.urls import reverse

from studylab.access import Role
from studylab.errors import Conflict, NotAllowed
from studylab.people.models import User
from studylab.studies.drafting import draft_begin, draft_make_version, draft_save
from studylab.studies.models import ProtocolDraft, ProtocolVersion, Study
from studylab.studies.services import study_create
from tests import cast

pytestmark = pytest.mark.django_db
DEMO = (cast.DOCUMENTS / "demo.toml").read_text(encoding="utf-8")


@pytest.fixture
def admin(db: Any) -> User:
    """Somebody who looks after the accounts, without a role anywhere."""
    return cast.make_user("Alba Reyes", is_account_admin=True)


def text_of(answer: Any) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def begin(client: Any, study: Any) -> ProtocolDraft:
    client.post(reverse("protocol_draft_new", kwargs={"study": study.slug}))
    return ProtocolDraft.objects.get(study=study, ended_at=None)


def page(draft: ProtocolDraft, ending: str = "") -> str:
    name = ("study_draft" if draft.study is None else "protocol_draft") + ending
    kwargs = {"uid": draft.uid} | ({"study": draft.study.slug} if draft.study else {})
    return reverse(name, kwargs=kwargs)


class TestNewStudy:
    def test_from_a_shipped_document_to_a_study_and_the_invitation_of_its_lead(
        self, client_of: Any, admin: User
    ) -> None:
        client = client_of(admin)
        assert "Begin a study" in text_of(client.get("/"))
        sent = {"begin": "conditioning", "slug": "own", "code_prefix": "OW", "languages": ["en"]}
        client.post(reverse("study_new"), sent)
        draft = ProtocolDraft.objects.get()
        assert 'slug = "own"' in draft.document
        assert not Study.objects.exists()
        made = client.post(
            page(draft, "_make"),
            {"slug": "own", "code_prefix": "OW", "languages": ["en"], "shown": draft.revision},
        )
        study = Study.objects.get()
        invite = reverse("lead_invite", kwargs={"of": "own"})
        assert made.headers["Location"] == invite
        assert "Nobody leads this study today" in text_of(client.get(invite))
        assert (study.slug, study.code_prefix, study.state) == ("own", "OW", "setup")
        assert not study.memberships.exists(), "whoever looks after accounts holds no role"
        assert study.protocol_versions.get().added_by == admin
        assert client.get(page(draft)).status_code == 404

    def test_nobody_else_begins_a_study(self, client_of: Any, lead: Any, admin: User) -> None:
        assert client_of(lead).get(reverse("study_new")).status_code == 403
        actor = cast.actor_of(admin, None)  # type: ignore[arg-type]
        draft = draft_begin(study=None, document=DEMO, slug="own", code_prefix="OW", actor=actor)
        other = cast.make_user("Other Admin", is_account_admin=True)
        assert client_of(other).get(page(draft)).status_code == 404
        assert client_of(lead).post(page(draft, "_drop")).status_code == 403
        plain = cast.actor_of(cast.make_user("Plain Person"), None)  # type: ignore[arg-type]
        for call in (
            lambda: study_create(document=DEMO, code_prefix="QQ", slug="q", actor=plain),
            lambda: draft_begin(study=None, document="", slug="q", actor=plain),
        ):
            with pytest.raises(NotAllowed):
                call()

    def test_a_wrong_answer_keeps_what_was_typed(self, client_of: Any, admin: User) -> None:
        answer = client_of(admin).post(
            reverse("study_new"),
            {"begin": "file", "slug": "Own Study", "code_prefix": "own", "languages": ["fr-ca"]},
        )
        words = text_of(answer)
        assert answer.status_code == 422
        for said in (
            "Choose the file",
            "one to three capital letters",
            "small letters and digits",
            "Keep English",
        ):
            assert said in words
        assert 'value="Own Study"' in answer.content.decode()


class TestEditor:
    def test_problems_name_line_key_and_fix_while_somebody_types(
        self, client_of: Any, lead: Any, study: Any
    ) -> None:
        client = client_of(lead)
        draft = begin(client, study)
        broken = draft.document.replace("target = 48", "target = 0")
        answer = client.post(
            page(draft, "_check"), {"document": broken, "revision": draft.revision, "page": "p"}
        )
        line = broken.split("\n").index(next(x for x in broken.split("\n") if x.startswith("target"))) + 1  # fmt: skip
        words = text_of(answer)
        assert f"Line {line}" in words
        assert "Give a number from 1 to 100000." in words
        draft.refresh_from_db()
        assert draft.document == broken  # kept although it is wrong
        answer = client.post(
            page(draft, "_check"), {"document": "a = [", "revision": draft.revision, "page": "p"}
        )
        assert "Line 1" in text_of(answer)

    def test_a_text_that_can_be_used_is_shown_as_visits(
        self, client_of: Any, lead: Any, study: Any
    ) -> None:
        client = client_of(lead)
        draft = begin(client, study)
        shown = client.get(page(draft)).content.decode()
        assert shown.count('<svg class="line"') == 4
        assert "Slide story" in shown

    def test_two_windows_do_not_write_over_each_other(
        self, client_of: Any, lead: Any, study: Any, actor_of: Any
    ) -> None:
        client = client_of(lead)
        draft = begin(client, study)
        first = {"revision": draft.revision, "page": "one"}
        client.post(page(draft, "_check"), {**first, "document": DEMO + "# one\n"})
        client.post(page(draft, "_check"), {**first, "document": DEMO + "# one again\n"})
        late = client.post(
            page(draft), {"revision": draft.revision, "page": "two", "document": DEMO + "# two\n"}
        )
        assert late.status_code == 409
        shown = late.content.decode()
        assert "<ins>+ # two</ins>" in shown
        assert "<del>- # one again</del>" in shown
        assert shown.count("Not kept.") == 1
        assert (
            f'name="revision" value="{draft.revision}"' in shown
        )  # its next keystroke is refused too
        draft.refresh_from_db()
        assert draft.document.endswith("# one again\n")
        with pytest.raises(Conflict):
            draft_save(draft=draft, document="", revision=1, page="two", actor=actor_of(lead))

    def test_a_damaged_page_is_refused(self, client_of: Any, lead: Any, study: Any) -> None:
        client = client_of(lead)
        draft = begin(client, study)
        for revision in ("", "x", "1" * 40):
            sent = {"document": "t", "revision": revision, "page": "p"}
            assert client.post(page(draft), sent).status_code == 422
            assert "damaged" in text_of(client.post(page(draft, "_check"), sent))

    def test_by_form_the_values_stand_in_the_text(
        self, client_of: Any, lead: Any, study: Any
    ) -> None:
        client = client_of(lead)
        draft = begin(client, study)
        form = client.get(page(draft, "_values")).context["form"]
        words = "Hours from the dose of visit 2 to the start of visit 3, not later"
        assert form.fields["spacing_2_latest_hours"].label == words
        sent = {name: field.initial for name, field in form.fields.items()}
        sent |= {"target": 55, "spacing_1_latest_hours": "25.5", "shown": draft.revision}
        assert client.post(page(draft, "_values"), sent).status_code == 302
        draft.refresh_from_db()
        changed = [a for a, b in zip(draft.document.split("\n"), DEMO.split("\n"), strict=True) if a != b]  # fmt: skip
        assert [line.split("#")[0].strip() for line in changed] == ["target = 55", "latest_hours = 25.5"]  # fmt: skip
        assert client.post(page(draft, "_values"), {**sent, "target": 0}).status_code == 409
        wrong = client.post(page(draft, "_values"), {**sent, "target": 0, "shown": draft.revision})
        assert wrong.status_code == 422


class TestVersion:
    def test_the_difference_is_shown_and_the_version_made(
        self, client_of: Any, lead: Any, study: Any
    ) -> None:
        client = client_of(lead)
        draft = begin(client, study)
        changed = draft.document.replace("target = 48", "target = 50")
        client.post(
            page(draft), {"document": changed, "revision": draft.revision, "page": "p", "make": "1"}
        )
        answer = client.get(page(draft, "_make"))
        shown = answer.content.decode()
        assert "<del>- target = 48" in shown
        assert "<ins>+ target = 50" in shown
        assert "voids the sign-offs" in shown
        draft.refresh_from_db()
        old = client.post(page(draft, "_make"), {"note": "more people", "shown": 1})
        assert old.status_code == 409
        client.post(page(draft, "_make"), {"note": "more people", "shown": draft.revision})
        version = ProtocolVersion.objects.get(study=study, number=2)
        assert (version.document, version.note) == (changed, "more people")

    def test_a_version_that_came_meanwhile_is_not_undone(
        self, client_of: Any, lead: Any, study: Any, actor_of: Any
    ) -> None:
        client = client_of(lead)
        draft = begin(client, study)
        client.post(
            reverse("protocol_add", kwargs={"study": study.slug}),
            {"document": DEMO.replace("target = 48", "target = 49"), "note": "by another"},
        )
        with pytest.raises(Conflict, match="Version 2 was added"):
            draft_make_version(draft=draft, revision=1, note="x", actor=actor_of(lead))

    def test_a_lead_reads_no_block_sizes(self, client_of: Any, lead: Any, study: Any) -> None:
        from studylab.studies.rules.loader import protocol_hash

        text = DEMO.replace("[allocation]", "[allocation]\nblock_sizes = [4, 8]")
        study.protocol_versions.create(
            number=2, document=text, sha256=protocol_hash(text), added_at=cast.PAST
        )
        client = client_of(lead)
        draft = begin(client, study)
        for ending in ("", "_make", "_values"):
            assert "block_sizes" not in client.get(page(draft, ending)).content.decode()

    def test_a_draft_of_another_study_is_not_found(
        self, client_of: Any, lead: Any, study: Any
    ) -> None:
        draft = begin(client_of(lead), study)
        other = cast.make_study(slug="other-study", prefix="TR")
        cast.join(lead, other, Role.LEAD)
        address = reverse("protocol_draft", kwargs={"study": other.slug, "uid": draft.uid})
        assert client_of(lead).get(address).status_code == 404
