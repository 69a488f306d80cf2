"""Exact intervals against printed ones: Newcombe 1998 (recalled), scipy's documentation (read), own, check-values 4."""

import pytest

from scheduling.rules.shares import share

PRINTED = [
    (81, 263, 0.2527367456, 0.3676219226),
    (15, 148, 0.0578440101, 0.1616504903),
    (0, 20, 0.0, 0.1684334710),
    (1, 29, 0.0008726469, 0.1776442955),
    (7, 50, 0.0581917003, 0.2673960025),
    (18, 60, 0.1884514454, 0.4320831339),
    (10, 10, 0.6915028922, 1.0),
]


@pytest.mark.parametrize(("part", "whole", "low", "high"), PRINTED)
def test_intervals_are_the_printed_ones(part: int, whole: int, low: float, high: float) -> None:
    found = share(part, whole)
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-9)


def test_of_nobody_there_is_no_share_and_more_than_all_is_refused() -> None:
    none = share(0, 0)
    assert (none.value, none.low, none.high, none.words) == (None, None, None, "")
    assert share(18, 60).words == "30 % (19 to 43 %)"
    with pytest.raises(ValueError, match="5 of 4 cannot be"):
        share(5, 4)
