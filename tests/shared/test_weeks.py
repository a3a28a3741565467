"""ISO 8601 weeks."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from remanence.shared.errors import RemanenceError
from remanence.shared.weeks import Week, day_start

# Dates around the turn of the year, as public descriptions of ISO 8601 week numbering give
# them; the rows of 2026 and 2027 follow from the rule (week 1 holds the first Thursday).
DATES = [
    ("2005-01-01", "2004-W53"), ("2006-01-01", "2005-W52"), ("2006-12-31", "2006-W52"),
    ("2008-12-29", "2009-W01"), ("2010-01-03", "2009-W53"), ("1996-12-30", "1997-W01"),
    ("2022-07-25", "2022-W30"), ("2019-12-30", "2020-W01"), ("2021-01-03", "2020-W53"),
    ("2022-12-31", "2022-W52"), ("2024-12-20", "2024-W51"), ("2026-12-28", "2026-W53"),
    ("2027-01-01", "2026-W53"), ("2027-01-04", "2027-W01"),
]


@pytest.mark.parametrize(("day", "week"), DATES)
def test_a_day_falls_into_the_week_of_the_standard(day, week):
    assert str(Week.of(date.fromisoformat(day))) == week


def test_years_of_53_weeks():
    # Public lists of long ISO years.
    long = [y for y in range(2004, 2055) if _has_53(y)]
    assert long == [2004, 2009, 2015, 2020, 2026, 2032, 2037, 2043, 2048, 2054]


def _has_53(year: int) -> bool:
    try:
        Week.parse(f"{year}-W53")
    except RemanenceError:
        return False
    return True


@pytest.mark.parametrize("text", ["2026-47", "2026-W7", "2025-W53", "2026-W00", "W47", "0000-W01"])
def test_a_week_that_is_none_is_refused(text):
    with pytest.raises(RemanenceError, match="week: found"):
        Week.parse(text)


def test_a_week_is_cut_in_the_venues_zone_across_the_clock_change():
    start, end = Week.parse("2026-W43").bounds(ZoneInfo("Europe/Lisbon"))
    assert start == datetime(2026, 10, 18, 23, tzinfo=UTC)  # summer time
    assert end == datetime(2026, 10, 26, 0, tzinfo=UTC)  # winter time
    assert (end - start).total_seconds() == (7 * 24 + 1) * 3600


def test_before_and_after():
    assert Week.parse("2026-W53").plus(1) == Week.parse("2027-W01")
    assert Week.parse("2027-W01").plus(-1) == Week.parse("2026-W53")


def test_a_day_starts_at_local_midnight():
    assert day_start(date(2026, 7, 1), ZoneInfo("Europe/Lisbon")).hour == 23
