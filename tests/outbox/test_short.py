"""Parts of short messages, by the figures of 3GPP TS 23.038 (160 and 70) and 3GPP TS 23.040 (153 and 67)."""

import pytest

from studylab.outbox.rules.short import Size, plain_signs, size


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("", Size(0, 1, False)),
        ("a" * 160, Size(160, 1, False)),
        ("a" * 161, Size(161, 2, False)),
        ("a" * 306, Size(306, 2, False)),
        ("a" * 307, Size(307, 3, False)),
        ("€" * 80, Size(160, 1, False)),  # of the extension table: two units
        ("é" * 160, Size(160, 1, False)),  # in the basic alphabet
        ("ç" * 70, Size(70, 1, True)),  # only its capital is in it
        ("ç" * 71, Size(71, 2, True)),
        ("ç" * 134, Size(134, 2, True)),
        ("ç" * 135, Size(135, 3, True)),
        ("\U0001f600" * 35, Size(70, 1, True)),
    ],
)
def test_parts(text: str, wanted: Size) -> None:
    assert size(text) == wanted


def test_a_sign_of_two_units_is_never_cut_apart() -> None:
    # 152 signs and then one of two units: it does not fit into the 153 of the first part.
    assert size("a" * 152 + "€" + "a" * 152) == Size(306, 3, False)
    assert size("ç" * 66 + "\U0001f600" + "ç" * 66) == Size(134, 3, True)


def test_typography_costs_nothing() -> None:
    assert plain_signs("l\u2019heure \u2013 \u201cici\u201d\u2026") == 'l\'heure - "ici"...'
    assert not size(plain_signs("We\u2019re here")).wide
