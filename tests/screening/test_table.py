"""The screening table: complete, well formed, hashed, and never loosened by a study."""

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

import studylab.studies
from screening.rules.rows import WEIGHT, TableError, read_row
from screening.rules.table import FOLDER, RuleTable, build_table, load_table
from studylab.studies.document_checks import checked_protocol
from studylab.studies.rules.loader import load_protocol
from studylab.studies.rules.problems import ProtocolInvalid
from studylab.studies.rules.protocol import Limits, Question

DOCUMENTS = sorted((Path(studylab.studies.__file__).parent / "documents").glob("*.toml"))
# The list of conditions to ask about runs from 1 to 50; 5 is read from an ECG and not asked.
ASKED = set(range(1, 51)) - {5}


def question(**changed: str) -> Question:
    base = Question(
        id="S-01",
        text="Have you seen the slide story before?",
        concept="story known",
        disposition="exclude",
        reason="The story must be new.",
        source="protocol",
    )
    return replace(base, **changed)


def test_every_condition_of_the_list_is_asked_or_measured(table: RuleTable) -> None:
    numbers = {int(m[1]) for row in table.rows if (m := re.match(r"C-(\d+)", row.id))}
    assert numbers == ASKED


def test_relations_stopped_medicines_and_acquaintances_are_asked(table: RuleTable) -> None:
    assert [table.row(f"T-0{n}").disposition for n in (1, 2, 3)] == [
        "physician",
        "physician",
        "note",
    ]


def test_every_row_explains_itself(table: RuleTable) -> None:
    for row in table.rows:
        assert row.text, row.id
        assert row.reason.endswith("."), row.id
        assert row.known, row.id
        assert re.search(r"read|from memory|inferred|proposal", row.source), (
            f"{row.id}: the source does not say how it is known"
        )


def test_no_text_claims_that_there_is_no_interaction(table: RuleTable) -> None:
    for path in (*FOLDER.glob("*.toml"), *FOLDER.parent.glob("*.toml")):
        assert "no interaction" not in path.read_text(encoding="utf-8").casefold(), path.name


def test_no_question_gives_a_verdict_away(table: RuleTable) -> None:
    for gate in ("screening", "dosing_day"):
        for row in table.asked(gate):
            assert not re.search(r"exclud|eligib|disqualif|allowed", row.text, re.I), row.id


def test_label_contraindications_cannot_lead_to_less_than_exclusion(table: RuleTable) -> None:
    # Fasting is the one that passes within hours: it holds the dose (UK SmPC 4.3).
    passing = {"C-22a", "C-22b", "D-11"}
    for row in table.rows:
        if row.label and row.kind == "yes_no":
            assert row.disposition == ("hold" if row.id in passing else "exclude"), row.id


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.stem)
def test_shipped_documents_set_every_number_and_add_their_questions(
    table: RuleTable, path: Path
) -> None:
    protocol = load_protocol(path.read_text(encoding="utf-8"))
    assert {number.key for number in table.numbers} <= set(protocol.limits.numbers)
    extended = table.for_study(protocol.questions)
    assert {q.id for q in protocol.questions} <= {row.id for row in extended.rows}
    assert len(DOCUMENTS) >= 2


def test_numbers_used_by_rows_are_declared_and_set(table: RuleTable, limits: Limits) -> None:
    used = {test.number for row in table.rows for test in row.thresholds}
    assert used == {number.key for number in table.numbers} == set(limits.numbers)


def test_the_hash_is_stable_and_changes_with_any_rule(table: RuleTable) -> None:
    assert re.fullmatch(r"[0-9a-f]{64}", table.hash)
    load_table.cache_clear()
    assert load_table().hash == table.hash
    first = table.rows[0]
    for changed in (
        replace(table, rows=(replace(first, reason="Other."), *table.rows[1:])),
        replace(table, version="x"),
        replace(table, catalogue=replace(table.catalogue, retired={})),
        table.for_study((question(),)),
    ):
        assert changed.hash != table.hash


def test_a_study_adds_its_own_question_at_the_end(table: RuleTable) -> None:
    extended = table.for_study((question(when="dosing_day"),))
    assert extended.asked("dosing_day")[-1].id == "S-01"
    assert extended.topics_asked("dosing_day")[-1][0].title == "This study"
    assert "S-01" not in {row.id for row in extended.asked("screening")}
    assert extended is table.for_study((question(when="dosing_day"),))
    assert table.for_study(()) is table


def test_a_study_may_tighten(table: RuleTable) -> None:
    row = table.for_study((question(id="C-35"),)).row("C-35")
    assert (table.row("C-35").disposition, row.disposition) == ("physician", "exclude")
    assert row.text == table.row("C-35").text
    assert row.reason == "The story must be new."


@pytest.mark.parametrize("disposition", ["note", "physician", "hold"])
def test_a_study_never_loosens_a_label_contraindication(table: RuleTable, disposition: str) -> None:
    labelled = [row.id for row in table.rows if row.label and row.disposition == "exclude"]
    assert len(labelled) >= 13  # the thirteen conditions of the two labels
    for rule_id in labelled:
        with pytest.raises(TableError, match=r"contraindication of .*may tighten it, not loosen"):
            table.for_study((question(id=rule_id, disposition=disposition),))


def test_a_study_never_loosens_a_house_rule(table: RuleTable) -> None:
    for row in table.rows:
        for disposition, weight in WEIGHT.items():
            if row.disposition and weight < WEIGHT[row.disposition]:
                with pytest.raises(TableError, match=row.id):
                    table.for_study((question(id=row.id, disposition=disposition),))


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ([{"id": "C-01", "flag_on": "no"}], "turn that round"),
        ([{"id": "C-43"}], "set that number in the study's limits"),
        ([{"id": "C-38a"}], "set that number in the study's limits"),
        ([{}, {}], "comes twice"),
    ],
)
def test_other_ways_round_a_house_rule_are_refused(
    table: RuleTable, changed: list[dict[str, str]], message: str
) -> None:
    with pytest.raises(TableError, match=message):
        table.for_study(tuple(question(**each) for each in changed))


ROW = {
    "id": "X-1",
    "text": "Question?",
    "when": ["screening"],
    "disposition": "note",
    "concept": "c",
    "reason": "r",
    "source": "s",
}


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"disposition": "maybe"}, "disposition is 'maybe'"),
        ({"when": []}, "`when` is empty"),
        ({"when": ["tuesday"]}, "when is 'tuesday'"),
        ({"kind": "guess"}, "kind is 'guess'"),
        ({"reason": " "}, "has no reason"),
        ({"colour": "red"}, "unknown key colour"),
        ({"kind": "number"}, "needs `tests`"),
        ({"tests": [{"is": "above", "number": "faints", "disposition": "note"}]}, "no `tests`"),
        ({"tests": [{"is": "above"}]}, "needs exactly"),
    ],
)
def test_a_malformed_row_is_named_with_its_fix(changed: dict[str, object], message: str) -> None:
    with pytest.raises(TableError, match=re.escape(message)):
        read_row(ROW | changed, "topic")


def test_a_table_with_loose_ends_is_refused(table: RuleTable) -> None:
    index = tomllib.loads((FOLDER / "index.toml").read_text(encoding="utf-8"))
    index["topics"] = [{"key": "only", "title": "Only"}]
    for rows, message in (
        ([ROW, ROW], "comes twice"),
        ([ROW | {"asked_if": "X-9"}], "`asked_if` must name"),
    ):
        with pytest.raises(TableError, match=message):
            build_table(index, {"only": {"question": rows}}, table.catalogue)
    number = ROW | {
        "kind": "number",
        "maximum": 9,
        "tests": [{"is": "above", "number": "nowhere", "disposition": "note"}],
    }
    del number["disposition"]
    with pytest.raises(TableError, match="declare the number nowhere"):
        build_table(index, {"only": {"question": [number]}}, table.catalogue)
    with pytest.raises(TableError, match="not the same"):
        build_table(index, {}, table.catalogue)


LOOSER = """
[[questions]]
id = "C-01"
text = "Do you have asthma now?"
concept = "asthma"
disposition = "physician"
reason = "Only asthma of today counts here."
source = "this study"

[[questions]]
id = "C-43"
text = "How old are you?"
concept = "age"
disposition = "note"
reason = "Any age will do."
source = "this study"
"""


def test_a_document_that_loosens_the_house_is_refused_with_key_reason_and_fix() -> None:
    text = next(path for path in DOCUMENTS if path.stem == "demo").read_text(encoding="utf-8")
    assert checked_protocol(text).slug
    with pytest.raises(ProtocolInvalid) as refused:
        checked_protocol(text + LOOSER)
    own = len(checked_protocol(text).questions)
    asthma, age = refused.value.problems
    assert asthma.key == f"questions[{own + 1}]"
    assert "C-01 (asthma) is a contraindication of US tablets and UK SmPC 4.3" in asthma.message
    assert asthma.fix == "Leave the question out."
    assert age.key == f"questions[{own + 2}]"
    assert "set that number in the study's limits instead" in f"{age}"
    tighter = LOOSER.partition('[[questions]]\nid = "C-43"')[0].replace("C-01", "C-35")
    with pytest.raises(ProtocolInvalid, match="one problem") as refused:
        checked_protocol(
            text + tighter
        )  # the id of the house's rule on psoriasis with a text about asthma
    assert "Do you have psoriasis?" in refused.value.problems[0].fix
    tighter = tighter.replace("Do you have asthma now?", "Do you have psoriasis?")
    tighter = tighter.replace('"physician"', '"exclude"')
    plan = checked_protocol(text + tighter)
    assert load_table().for_study(plan.questions).row("C-35").disposition == "exclude"
    longer = text.replace("fasting_hours = 12", "fasting_hours = 30")
    assert longer != text
    with pytest.raises(ProtocolInvalid) as refused:
        checked_protocol(longer)
    assert "fasting_hours" in refused.value.problems[0].key
    block = text.replace("pr_to = 200", "pr_to = 210")
    assert block != text
    with pytest.raises(ProtocolInvalid) as refused:
        checked_protocol(block)
    assert refused.value.problems[0].key == "limits.ecg.pr_to"
    assert refused.value.problems[0].fix == "Set it to 200 or less."
