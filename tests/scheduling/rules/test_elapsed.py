"""Elapsed and clock time over the clock changes of three zones.

Outside values: transitions of the IANA time zone database, releases 2025b and 2026f (they agree), and the
"24 h later against same clock tomorrow" pairs that follow from them.
"""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.rules.elapsed import (
    LocalTimeProblem,
    add_elapsed,
    describe_shift,
    elapsed,
    hours_words,
    load_zone,
    local_day,
    local_day_bounds,
    parse_local,
    same_clock,
    same_clock_next_day,
)

AMS, NYC, LHI = "Europe/Amsterdam", "America/New_York", "Australia/Lord_Howe"
DAY = timedelta(hours=24)

# zone, UTC instant, epoch seconds, last clock second before, first after
TRANSITIONS = [
    (AMS, "2026-03-29T01:00:00Z", 1774746000, "2026-03-29T01:59:59+01:00", "2026-03-29T03:00:00+02:00"),
    (AMS, "2026-10-25T01:00:00Z", 1792890000, "2026-10-25T02:59:59+02:00", "2026-10-25T02:00:00+01:00"),
    (AMS, "2027-03-28T01:00:00Z", 1806195600, "2027-03-28T01:59:59+01:00", "2027-03-28T03:00:00+02:00"),
    (AMS, "2027-10-31T01:00:00Z", 1824944400, "2027-10-31T02:59:59+02:00", "2027-10-31T02:00:00+01:00"),
    (NYC, "2026-03-08T07:00:00Z", 1772953200, "2026-03-08T01:59:59-05:00", "2026-03-08T03:00:00-04:00"),
    (NYC, "2026-11-01T06:00:00Z", 1793512800, "2026-11-01T01:59:59-04:00", "2026-11-01T01:00:00-05:00"),
    (NYC, "2027-03-14T07:00:00Z", 1805007600, "2027-03-14T01:59:59-05:00", "2027-03-14T03:00:00-04:00"),
    (NYC, "2027-11-07T06:00:00Z", 1825567200, "2027-11-07T01:59:59-04:00", "2027-11-07T01:00:00-05:00"),
    (LHI, "2026-04-04T15:00:00Z", 1775314800, "2026-04-05T01:59:59+11:00", "2026-04-05T01:30:00+10:30"),
    (LHI, "2026-10-03T15:30:00Z", 1791041400, "2026-10-04T01:59:59+10:30", "2026-10-04T02:30:00+11:00"),
    (LHI, "2027-04-03T15:00:00Z", 1806764400, "2027-04-04T01:59:59+11:00", "2027-04-04T01:30:00+10:30"),
    (LHI, "2027-10-02T15:30:00Z", 1822491000, "2027-10-03T01:59:59+10:30", "2027-10-03T02:30:00+11:00"),
]  # fmt: skip

# zone, visit start, 24 h of elapsed time later, same clock next day, elapsed at same clock (minutes)
NEXT_DAY = [
    (AMS, "2026-03-28T10:00+01:00", "2026-03-29T11:00+02:00", "2026-03-29T10:00+02:00", 23 * 60),
    (AMS, "2026-10-24T10:00+02:00", "2026-10-25T09:00+01:00", "2026-10-25T10:00+01:00", 25 * 60),
    (AMS, "2027-03-27T14:30+01:00", "2027-03-28T15:30+02:00", "2027-03-28T14:30+02:00", 23 * 60),
    (AMS, "2027-10-30T09:00+02:00", "2027-10-31T08:00+01:00", "2027-10-31T09:00+01:00", 25 * 60),
    (NYC, "2026-03-07T10:00-05:00", "2026-03-08T11:00-04:00", "2026-03-08T10:00-04:00", 23 * 60),
    (NYC, "2026-10-31T10:00-04:00", "2026-11-01T09:00-05:00", "2026-11-01T10:00-05:00", 25 * 60),
    (NYC, "2027-03-13T10:00-05:00", "2027-03-14T11:00-04:00", "2027-03-14T10:00-04:00", 23 * 60),
    (NYC, "2027-11-06T10:00-04:00", "2027-11-07T09:00-05:00", "2027-11-07T10:00-05:00", 25 * 60),
    (LHI, "2026-04-04T10:00+11:00", "2026-04-05T09:30+10:30", "2026-04-05T10:00+10:30", 24 * 60 + 30),
    (LHI, "2026-10-03T10:00+10:30", "2026-10-04T10:30+11:00", "2026-10-04T10:00+11:00", 23 * 60 + 30),
    (LHI, "2027-04-03T10:00+11:00", "2027-04-04T09:30+10:30", "2027-04-04T10:00+10:30", 24 * 60 + 30),
    (LHI, "2027-10-02T10:00+10:30", "2027-10-03T10:30+11:00", "2027-10-03T10:00+11:00", 23 * 60 + 30),
]  # fmt: skip


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


@pytest.mark.parametrize(("zone", "utc", "epoch", "before", "after"), TRANSITIONS)
def test_one_second_passes_over_each_transition(zone, utc, epoch, before, after) -> None:
    assert at(utc).timestamp() == epoch
    assert elapsed(at(before), at(after)) == timedelta(seconds=1)
    local = add_elapsed(at(before), timedelta(seconds=1)).astimezone(ZoneInfo(zone))
    assert local.isoformat() == after
    assert (at(utc) - timedelta(seconds=1)).astimezone(ZoneInfo(zone)).isoformat() == before


@pytest.mark.parametrize(("zone", "start", "later", "same", "minutes"), NEXT_DAY)
def test_24_hours_later_and_same_clock_tomorrow(zone, start, later, same, minutes) -> None:
    local_start = at(start).astimezone(ZoneInfo(zone))
    assert add_elapsed(local_start, DAY) == at(later)
    assert same_clock_next_day(local_start, zone) == at(same)
    assert elapsed(local_start, same_clock_next_day(local_start, zone)) == timedelta(
        minutes=minutes
    )
    sentence = describe_shift(local_start, DAY, zone)
    assert sentence is not None
    assert at(later).strftime("24 h later is %H:%M") in sentence
    assert at(same).strftime("same clock time, %H:%M") in sentence
    assert f"is {hours_words(timedelta(minutes=minutes))} later" in sentence
    assert zone in sentence


def test_ordinary_days_need_no_sentence() -> None:
    assert describe_shift(at("2026-06-10T10:00+02:00"), DAY, AMS) is None
    assert describe_shift(at("2026-03-28T10:00+01:00"), timedelta(minutes=90), AMS) is None


def test_sentence_for_a_wait_over_the_change() -> None:
    sentence = describe_shift(at("2026-10-25T01:45+02:00"), timedelta(minutes=90), AMS)
    assert sentence is not None
    assert "1 h 30 min later is 02:15 (UTC+01:00)" in sentence
    assert "not 03:15" in sentence


@pytest.mark.parametrize(
    ("zone", "start", "first_after"),
    [
        (AMS, "2026-03-28T02:30+01:00", "2026-03-29T03:00+02:00"),
        (NYC, "2026-03-07T02:30-05:00", "2026-03-08T03:00-04:00"),
        (LHI, "2026-10-03T02:15+10:30", "2026-10-04T02:30+11:00"),
    ],
)
def test_same_clock_that_does_not_exist_moves_and_says_so(zone, start, first_after) -> None:
    found = same_clock(at(start), zone)
    assert found.at == at(first_after)
    assert found.moved
    assert not found.doubled
    assert "does not exist that day" in (describe_shift(at(start), DAY, zone) or "")


def test_same_clock_that_happens_twice_takes_the_first_and_says_so() -> None:
    found = same_clock(at("2026-10-24T02:30+02:00"), AMS)
    assert found.at == at("2026-10-25T00:30Z")
    assert found.doubled
    assert not found.moved


@pytest.mark.parametrize(
    ("zone", "text", "first_after"),
    [
        (AMS, "2026-03-29T02:30", "2026-03-29T01:00Z"),
        (NYC, "2026-03-08T02:30", "2026-03-08T07:00Z"),
        (LHI, "2026-10-04T02:15", "2026-10-03T15:30Z"),
    ],
)
@pytest.mark.parametrize("fold", [None, 0, 1])
def test_missing_times_are_refused_whatever_the_fold(zone, text, first_after, fold) -> None:
    with pytest.raises(LocalTimeProblem, match="does not exist") as caught:
        parse_local(text, zone, fold=fold)
    assert caught.value.kind == "missing"
    assert [choice.at for choice in caught.value.choices] == [at(first_after)]


@pytest.mark.parametrize(
    ("zone", "text", "first", "second"),
    [
        (AMS, "2026-10-25T02:30", "2026-10-25T00:30Z", "2026-10-25T01:30Z"),
        (NYC, "2026-11-01T01:30", "2026-11-01T05:30Z", "2026-11-01T06:30Z"),
        (LHI, "2026-04-05T01:45", "2026-04-04T14:45Z", "2026-04-04T15:15Z"),
    ],
)
def test_doubled_times_ask_which(zone, text, first, second) -> None:
    with pytest.raises(LocalTimeProblem, match="happens twice") as caught:
        parse_local(text, zone)
    assert caught.value.kind == "doubled"
    assert [choice.at for choice in caught.value.choices] == [at(first), at(second)]
    assert len({choice.label for choice in caught.value.choices}) == 2
    assert parse_local(text, zone, fold=0) == at(first)
    assert parse_local(at(text), zone, fold=1) == at(second)


def test_parse_local_reads_plain_times_and_instants() -> None:
    assert parse_local("2026-06-10 10:00", AMS) == at("2026-06-10T08:00Z")
    assert parse_local("2026-10-25T02:30+01:00", AMS) == at("2026-10-25T01:30Z")
    assert parse_local("2026-06-10T10:00", AMS).tzinfo is UTC


@pytest.mark.parametrize(
    "text", ["", "tomorrow", "2026-06-10", "2026-13-01T10:00", "2026-06-10T25:00"]
)
def test_unreadable_text_is_refused_with_the_fix(text) -> None:
    with pytest.raises(ValueError, match="write it as"):
        parse_local(text, AMS)


@pytest.mark.parametrize(
    "name", ["Mars/Olympus", "", "Europe", "../etc/passwd", "Europe/Amsterdam "]
)
def test_unknown_zone_is_named(name) -> None:
    with pytest.raises(ValueError, match="There is no time zone"):
        load_zone(name)


def test_naive_datetimes_are_refused_by_field() -> None:
    with pytest.raises(ValueError, match="start has no time zone"):
        elapsed(datetime(2026, 6, 1, 10), at("2026-06-01T10:00Z"))
    with pytest.raises(ValueError, match="end has no time zone"):
        elapsed(at("2026-06-01T10:00Z"), datetime(2026, 6, 1, 10))
    with pytest.raises(ValueError, match="at has no time zone"):
        add_elapsed(datetime(2026, 6, 1, 10), DAY)


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        (AMS, date(2026, 3, 29), 23), (AMS, date(2026, 10, 25), 25), (AMS, date(2026, 6, 1), 24),
        (NYC, date(2026, 3, 8), 23), (NYC, date(2026, 11, 1), 25),
        (LHI, date(2026, 4, 5), 24.5), (LHI, date(2026, 10, 4), 23.5),
        ("Africa/Cairo", date(2026, 4, 24), 23),  # midnight itself does not exist that day
        ("Pacific/Apia", date(2011, 12, 30), 0),  # the whole day was skipped
    ],
)  # fmt: skip
def test_local_days_have_their_own_length(zone, day, hours) -> None:
    start, end = local_day_bounds(day, zone)
    assert end - start == timedelta(hours=hours)
    if hours:
        assert local_day(start, zone) == day == local_day(end - timedelta(seconds=1), zone)
        assert local_day(start - timedelta(seconds=1), zone) < day


@given(
    st.sampled_from([AMS, NYC, LHI]),
    st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31)),
    st.integers(0, 1),
)
def test_parsing_gives_back_the_clock_time_or_a_problem(zone, naive, fold) -> None:
    naive = naive.replace(fold=0)
    tz = ZoneInfo(zone)
    back = naive.replace(tzinfo=tz).astimezone(UTC).astimezone(tz).replace(tzinfo=None, fold=0)
    if back == naive:
        instant = parse_local(naive, zone, fold=fold)
        assert instant.astimezone(tz).replace(tzinfo=None, fold=0) == naive
    else:
        with pytest.raises(LocalTimeProblem, match="does not exist"):
            parse_local(naive, zone, fold=fold)


@given(
    st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31), timezones=st.just(UTC)),
    st.timedeltas(timedelta(0), timedelta(days=30)),
    st.sampled_from([AMS, NYC, LHI]),
)
def test_elapsed_is_the_inverse_of_adding_in_any_zone(start, delta, zone) -> None:
    local = start.astimezone(ZoneInfo(zone))
    assert elapsed(local, add_elapsed(local, delta).astimezone(ZoneInfo(zone))) == delta
