"""Participant codes and kit numbers against another library and every slip of one kind."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum.iso7064 import mod_37_2

from studylab import codes

ISO_ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def folded(code: str) -> str:
    return code.replace("-", "")


# First row: python-stdnum 2.2, doc tests of stdnum.iso7064.mod_37_2. The others: examples of a numbering of
# blood labels, from memory; all three agree with python-stdnum when computed.
@pytest.mark.parametrize(
    ("body", "check"),
    [("G123489654321", "Y"), ("A999522123456", "*"), ("A999914123456", "N")],
)
def test_published_vectors(body: str, check: str) -> None:
    assert codes.check_character(body) == check
    assert mod_37_2.calc_check_digit(body) == check


@given(st.text(alphabet=ISO_ALPHABET, min_size=1, max_size=20))
def test_check_character_agrees_with_python_stdnum(body: str) -> None:
    assert codes.check_character(body) == mod_37_2.calc_check_digit(body)


def test_every_single_slip_in_all_two_character_bodies_changes_the_check_character() -> None:
    for first in ISO_ALPHABET:
        for second in ISO_ALPHABET:
            check = codes.check_character(first + second)
            if check == "*":
                continue
            others = {codes.check_character(first + c) for c in ISO_ALPHABET if c != second}
            others |= {codes.check_character(c + second) for c in ISO_ALPHABET if c != first}
            assert check not in others
            if first != second:
                assert codes.check_character(second + first) != check
            if second != check:  # the check character swapped with its neighbour
                assert codes.check_character(first + check) != second


def slips(code: str) -> set[str]:
    wrong = {
        code[:i] + c + code[i + 1 :]
        for i in range(len(code))
        for c in codes.ALPHABET
        if c != code[i]
    }
    for i in range(len(code) - 1):
        wrong.add(code[:i] + code[i + 1] + code[i] + code[i + 2 :])
    return wrong - {code}


def test_issued_codes_survive_no_single_slip() -> None:
    draw = random.Random(7)
    issued = [folded(codes.participant_code(n, "HT")) for n in range(1, 80_000, 997)]
    issued += [folded(codes.kit_number(draw.randrange)) for _ in range(80)]
    for code in issued:
        assert codes.is_valid(code)
        assert mod_37_2.is_valid(code)  # the other library accepts what we issue
        for wrong in slips(code):
            assert not codes.is_valid(wrong), (code, wrong)
            assert not mod_37_2.is_valid(wrong)  # and it is the check character that catches it


def test_participant_codes_are_the_legible_ones_in_rising_order() -> None:
    wanted = []
    for number in range(1, 3_000):
        body = f"HT{number:05}"
        check = mod_37_2.calc_check_digit(body)
        if check not in "*ILOSU":
            wanted.append(f"HT-{body[2:]}{check}")
    got = [codes.participant_code(n, "HT") for n in range(1, len(wanted) + 1)]
    assert got == wanted


def test_participant_codes_run_out_with_a_clear_message() -> None:
    last = sum(
        mod_37_2.calc_check_digit(f"HT{number:05}") not in "*ILOSU" for number in range(1, 100_000)
    )
    assert codes.participant_code(last, "HT").startswith("HT-9999")
    for serial in (0, -1, last + 1):
        with pytest.raises(ValueError, match="no participant code number"):
            codes.participant_code(serial, "HT")


@pytest.mark.parametrize("prefix", ["", "H", "HTT", "H1", "LO", "H*", "ÄB", "٣٣"])
def test_prefix_is_two_legible_letters(prefix: str) -> None:
    with pytest.raises(ValueError, match="two letters"):
        codes.participant_code(1, prefix)


@given(st.text(max_size=12))
def test_prefix_from_any_text_can_be_used(text: str) -> None:
    assert codes.is_valid(codes.participant_code(1, codes.prefix_from(text)), "participant")


@given(st.integers(min_value=1, max_value=80_000), st.data())
def test_spelling_does_not_matter(serial: int, data: st.DataObject) -> None:
    code = codes.participant_code(serial, "KM")
    spelled = "".join(
        data.draw(st.sampled_from(["", " ", "-", "\u2011", "\u00a0"]))
        + data.draw(st.sampled_from([c, c.lower()]))
        for c in folded(code)
    )
    assert codes.normalise(spelled) == code
    assert codes.is_valid(spelled)


@given(st.integers(0, 2**32))
def test_kit_numbers_are_valid_and_never_taken_for_a_participant(seed: int) -> None:
    number = codes.kit_number(random.Random(seed).randrange)
    assert codes.is_valid(number, "kit")
    assert not codes.is_valid(number, "participant")
    assert len(folded(number)) == 7
    assert set(folded(number)) <= set(codes.ALPHABET)


def test_kit_number_draws_again_for_an_illegible_check_character() -> None:
    bad = next(
        body
        for body in (f"AAAA{a}{b}" for a in codes.ALPHABET for b in codes.ALPHABET)
        if mod_37_2.calc_check_digit(body) in "*ILOSU"
    )
    good = next(
        body
        for body in (f"BBBB{a}{b}" for a in codes.ALPHABET for b in codes.ALPHABET)
        if mod_37_2.calc_check_digit(body) not in "*ILOSU"
    )
    script = iter([codes.ALPHABET.index(c) for c in "000000" + bad + good])
    assert folded(codes.kit_number(lambda _limit: next(script)))[:-1] == good


# python-stdnum accepts all of these forms; a code on a label never looks like that.
@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("", "Enter the code"),
        (" - ", "Enter the code"),
        ("*3", "not a character"),
        ("HT-٠٠٠٠١0", "not a character"),
        ("HT-００００１0", "not a character"),
        ("HT-O00010", "letter O"),
        ("HT-0000I0", "letter I"),
        ("HT-000ı10", "not a character"),
        ("0HT-000010", "characters"),
        ("HT-00010", "two letters|check character|characters"),
        ("HT-000011", "check character"),
        ("00000001", "two letters"),
        ("0000001", "zeros"),
        ("ATH-00010", "two letters"),
    ],
)
def test_explain_says_why(text: str, part: str) -> None:
    told = codes.explain(text)
    assert told is not None
    assert any(word in told for word in part.split("|")), told
    assert not codes.is_valid(text)


@given(st.text())
def test_any_text_is_judged_without_error(text: str) -> None:
    assert codes.is_valid(text) == (codes.explain(text) is None)
    assert codes.normalise(codes.normalise(text)) == codes.normalise(text)


@pytest.mark.parametrize("body", ["", "Ä1", "1*", "٣"])
def test_check_character_refuses_other_characters(body: str) -> None:
    with pytest.raises(ValueError, match="digits"):
        codes.check_character(body)
