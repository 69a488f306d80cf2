"""Blinding indices against published data (check-values 3: data rows and formulas read in the help of BI 1.2.0).

CRISP: Bang 2004, Table 7. SOX: Houweling 2014; investigators 0.896 (0.011; 0.875-0.918), 0.115, 0.022 as printed.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studylab.allocation.rules.indices import Told, bang, james

CASES = {
    "CRISP": (
        Told(82, 25, 170), Told(27, 29, 83), (0.7479275375, 0.0217373981, 0.705323, 0.790532),
        (0.2057761733, 0.0352370905, 0.136713, 0.274840), (0.0143884892, 0.0538229625, -0.091103, 0.119880),
    ),
    "SOX investigators": (
        Told(48, 4, 330), Told(22, 30, 319), (0.8964143426, 0.0109175770, 0.875016, 0.917812),
        (0.1151832461, 0.0179337403, 0.080034, 0.150333), (0.0215633423, 0.0194046669, -0.016469, 0.059596),
    ),
    "SOX coordinators": (
        Told(94, 11, 289), Told(52, 44, 284), (0.8233895957, 0.0132866306, 0.797348, 0.849431),
        (0.2106598985, 0.0237435468, 0.164123, 0.257196), (-0.0210526316, 0.0257614750, -0.071544, 0.029439),
    ),
    "SOX patients": (
        Told(143, 14, 188), Told(104, 57, 175), (0.7051162892, 0.0159407504, 0.673873, 0.736360),
        (0.3739130435, 0.0302291490, 0.314665, 0.433161), (-0.1398809524, 0.0369845522, -0.212369, -0.067393),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_published_data(name: str) -> None:
    active, placebo, *wanted = CASES[name]
    found = (james(active, placebo), bang(active, first=True), bang(placebo, first=False))
    for index, (value, error, low, high) in zip(found, wanted, strict=True):
        assert (index.value, index.error) == pytest.approx((value, error), abs=1e-9)
        assert (index.low, index.high) == pytest.approx((low, high), abs=1e-6)


def test_a_study_of_the_size_of_a_lab() -> None:
    found = james(Told(12, 3, 5), Told(6, 9, 5))
    assert (found.value, found.error) == pytest.approx((0.475, 0.0779543135))
    for told, first, value, error in (
        (Told(12, 3, 5), True, 0.45, 0.1654539211),
        (Told(6, 9, 5), False, 0.15, 0.1907223112),
    ):
        index = bang(told, first=first)
        assert (index.value, index.error) == pytest.approx((value, error))


@pytest.mark.parametrize(
    ("active", "placebo", "value"),
    [
        (Told(9, 0, 0), Told(0, 9, 0), 0.0), (Told(0, 9, 0), Told(9, 0, 0), 1.0),
        (Told(5, 5, 0), Told(5, 5, 0), 0.5), (Told(5, 5, 10), Told(5, 5, 10), 0.75),
        (Told(0, 0, 4), Told(0, 0, 6), 1.0),
    ],
)  # fmt: skip
def test_edges(active: Told, placebo: Told, value: float) -> None:
    assert james(active, placebo).value == pytest.approx(value)


def test_nobody_asked_gives_no_index() -> None:
    assert james(Told(0, 0, 0), Told(0, 0, 0)) is None
    assert bang(Told(0, 0, 0), first=True) is None


@given(*[st.integers(0, 30) for _ in range(6)])
def test_indices_stay_in_their_range_and_arms_may_be_exchanged(
    a: int, b: int, c: int, d: int, e: int, f: int
) -> None:
    one, other = Told(a, b, c), Told(d, e, f)
    found = james(one, other)
    if found is not None:
        assert -1e-9 <= found.value <= 1 + 1e-9
        mirrored = james(Told(e, d, f), Told(b, a, c))
        assert mirrored.value == pytest.approx(found.value)
        assert mirrored.error == pytest.approx(found.error, abs=1e-7)
    for told in (one, other):
        index = bang(told, first=True)
        assert index is None or -1 <= index.value <= 1
