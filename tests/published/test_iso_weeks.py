"""Weeks of ISO 8601 as published tables give them, in every place that cuts weeks."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from remanence.analytics.physics.latency import with_week
from remanence.shared.weeks import Week

# Public descriptions of ISO 8601 week numbering (2026 and 2027 rows derived from its rule).
DATES = {
    "2005-01-01": "2004-W53", "2006-01-01": "2005-W52", "2006-12-31": "2006-W52",
    "2008-12-29": "2009-W01", "2010-01-03": "2009-W53", "1996-12-30": "1997-W01",
    "2022-07-25": "2022-W30", "2019-12-30": "2020-W01", "2021-01-03": "2020-W53",
    "2022-12-31": "2022-W52", "2024-12-20": "2024-W51", "2026-12-28": "2026-W53",
    "2027-01-01": "2026-W53", "2027-01-04": "2027-W01",
}
LONG_YEARS = (2004, 2009, 2015, 2020, 2026, 2032, 2037, 2043, 2048, 2054)


@pytest.mark.parametrize(("day", "week"), DATES.items())
def test_week_of_a_day(day, week):
    assert str(Week.of(date.fromisoformat(day))) == week
    noon = datetime.fromisoformat(f"{day}T12:00:00").replace(tzinfo=UTC)
    frame = pl.DataFrame({"command_time": [noon]},
                         schema={"command_time": pl.Datetime("us", "UTC")})
    assert with_week(frame, ZoneInfo("UTC"))["week"][0] == week


def test_years_with_53_weeks():
    found = [year for year in range(2001, 2057) if Week.of(date(year, 12, 28)).number == 53]
    assert tuple(found) == LONG_YEARS
    count = sum(Week.of(date(year, 12, 28)).number == 53 for year in range(2000, 2400))
    assert count == 71  # 71 of every 400 years
