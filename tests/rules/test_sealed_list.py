"""The sealed list: its box, its numbers, its commitment, and what differs when anything was changed."""

import hashlib
import json
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studylab.allocation.rules.design import (
    METHOD_WORDS,
    ListDesign,
    followed_list,
    made_list,
    places_of,
    proposed,
)
from studylab.allocation.rules.sealed_list import (
    EntrySeen,
    OpenedList,
    canonical,
    commitment,
    differences,
    numbers_for,
    pack,
    read_file,
    remade,
    unpack,
)
from studylab.allocation.rules.sealing import SealDamaged
from studylab.studies.rules.protocol import AllocationPlan, Arm, OpenFactor

ARMS = (Arm("active", "Propranolol 40 mg"), Arm("placebo", "Placebo"))
STORY = (OpenFactor("story", "Story", ("harbour", "station")),)
NONCE = bytes(range(32))


def plan(**more: object) -> AllocationPlan:
    return AllocationPlan(**({"arms": ARMS, "length": 20, "open_factors": STORY} | more))


def opened(
    of: AllocationPlan, method: str = "permuted_blocks", seed: bytes = bytes(48)
) -> OpenedList:
    design = proposed(method, of)
    return OpenedList(design, seed, NONCE, made_list(plan=of, design=design, seed=seed))


def entries(one: OpenedList, of: AllocationPlan) -> list[EntrySeen]:
    numbers = numbers_for(places_of(of, one.design))
    return [
        EntrySeen(number, row.stratum, row.position, row.open_levels, False, row.arm)
        for number, row in zip(numbers, one.rows, strict=True)
    ]


@given(st.binary(min_size=48, max_size=48), st.sampled_from(sorted(METHOD_WORDS)))
def test_a_box_gives_back_its_list_and_its_length_says_nothing(seed: bytes, method: str) -> None:
    of = plan(strata={"sex": ("f", "m")})
    one = opened(of, method, seed)
    assert unpack(pack(one)) == one
    assert len(pack(one)) == len(pack(opened(of, method)))
    assert "active" not in repr(one) + repr(entries(opened(of), of))


@pytest.mark.parametrize(
    "content",
    [
        b"", b"{}", b"[1]", b'{"rows": [[1]], "seed": "", "nonce": "", "design": {}}', b"\xff",
        pack(opened(plan())).replace(b"permuted_blocks", b"dice"),
    ],
)  # fmt: skip
def test_other_content_is_not_a_list(content: bytes) -> None:
    with pytest.raises(SealDamaged):
        unpack(content)
    with pytest.raises(SealDamaged):
        read_file(content)


def test_numbers_are_padded_and_lettered_by_stratum() -> None:
    def numbers(**more: object) -> tuple[str, ...]:
        of = plan(**more)
        return numbers_for(places_of(of, proposed("permuted_blocks", of)))

    assert numbers()[:2] == ("001", "002")
    assert numbers(strata={"sex": ("f", "m")}, length=2) == ("A-001", "A-002", "B-001", "B-002")
    many = numbers(strata={"site": tuple(f"s{i}" for i in range(28))}, length=1)
    assert many[25:] == ("Z-001", "AA-001", "AB-001")
    assert numbers(length=1000)[-1] == "1000"


def test_commitment_is_the_sha256_of_the_list_file() -> None:
    """The text is written out here by hand, from the documented layout."""
    of = AllocationPlan(
        arms=(Arm("a", "A"), Arm("b", "B", 2)), length=3, strata={"sex": ("f", "m")}
    )
    design = ListDesign("permuted_blocks", block_sizes=(3,))
    one = OpenedList(design, bytes(48), NONCE, made_list(plan=of, design=design, seed=bytes(48)))
    rows = ",".join(f'["{r.stratum}",{r.position},"{r.arm}",[],{r.block}]' for r in one.rows)
    text = (
        '{"design":{"block_sizes":[3],"measure":"","method":"permuted_blocks","percent":0,"tolerance":0},'
        '"generator":"permuted-blocks/1 hmac-drbg-sha256/1","nonce":"' + NONCE.hex() + '","plan":{"arms":'
        '[{"key":"a","name":"A","ratio":1},{"key":"b","name":"B","ratio":2}],"length":3,"method":null,'
        '"open_factors":[],"strata":[["sex",["f","m"]]]},"rows":[' + rows + '],"seed":"' + "00" * 48 + '"}'
    )  # fmt: skip
    assert canonical(one, of).decode() == text
    assert commitment(one, of) == hashlib.sha256(text.encode()).hexdigest()
    again, same_plan, name = read_file(text.encode())
    assert (again, same_plan) == (one, of)
    assert remade(again, same_plan, name) == []
    document = json.loads(text)
    document["rows"][0][2], document["rows"][1][2] = "b", "a"
    other, _, _ = read_file(json.dumps(document).encode())
    assert remade(other, of, name) or other.rows == one.rows


@pytest.mark.parametrize(
    "change",
    [
        lambda one: replace(one, seed=bytes(47) + b"\x01"),
        lambda one: replace(one, nonce=NONCE[::-1]),
        lambda one: replace(one, rows=one.rows[:-1]),
        lambda one: replace(one, rows=one.rows[::-1]),
        lambda one: replace(one, design=replace(one.design, block_sizes=(8,))),
        *(
            lambda one, n=name, v=value: replace(
                one, rows=(replace(one.rows[0], **{n: v}), *one.rows[1:])
            )
            for name, value in (
                ("stratum", "x"), ("position", 9), ("arm", "other"), ("open_levels", ()), ("block", 7),
            )
        ),
    ],
)  # fmt: skip
def test_commitment_changes_with_every_part(change: Callable[[OpenedList], OpenedList]) -> None:
    of = plan()
    one = opened(of)
    assert commitment(change(one), of) != commitment(one, of) == commitment(opened(of), of)
    assert commitment(one, replace(of, length=21)) != commitment(one, of)


def test_commitment_needs_a_long_nonce() -> None:
    with pytest.raises(ValueError, match="32 are needed"):
        commitment(replace(opened(plan()), nonce=b"short"), plan())


def test_an_agreeing_list_has_no_differences_and_another_method_has() -> None:
    of = plan()
    one = opened(of)
    same = {"opened": one, "plan": of, "entries": entries(one, of)}
    published, method = commitment(one, of), one.design.name
    assert differences(published=published, method=method, **same) == []
    assert differences(published=published, method="dice/1", **same)
    assert differences(published="0" * 64, method=method, **same)


def test_a_minimised_list_is_checked_person_by_person() -> None:
    of = plan(strata={"sex": ("f", "m")}, length=12)
    one = opened(of, "minimisation")
    people = [{"sex": "fm"[n % 2]} for n in range(5)]
    rows = followed_list(plan=of, design=one.design, seed=one.seed, people=tuple(people))
    seen = [
        EntrySeen(
            f"{n + 1:03d}", "all", n + 1, row.open_levels, True, row.arm, tuple(person.items())
        )
        for n, (row, person) in enumerate(zip(rows, people, strict=True))
    ]
    seen += [EntrySeen(f"{n:03d}", "all", n, (), False, "") for n in range(6, 13)]

    def found(listed: list[EntrySeen]) -> list[str]:
        return differences(
            opened=one,
            plan=of,
            published=commitment(one, of),
            method=one.design.name,
            entries=listed,
        )

    assert found(seen) == []
    other = "active" if seen[2].arm == "placebo" else "placebo"
    assert (
        "Number 003 is sealed differently"
        in found([*seen[:2], replace(seen[2], arm=other), *seen[3:]])[0]
    )
    ahead = replace(seen[7], arm="active")
    assert "Number 008 is sealed differently" in found([*seen[:7], ahead, *seen[8:]])[0]
