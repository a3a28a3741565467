"""The condition hot-coil: a coil gets close to its temperature limit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime

import polars as pl
from scipy import special

from remanence.analytics.conditions.condition import Condition, finding
from remanence.analytics.history import History, baseline_start
from remanence.analytics.physics.coil_heat import coil_heat, heat_of_week, volts_of
from remanence.analytics.physics.measured_heat import measured_heat
from remanence.analytics.physics.on_times import times_of
from remanence.analytics.statistics.intervals import NORMAL_95_ROUNDED
from remanence.shared.findings import Amount, Evidence, Finding, Sentence, say
from remanence.shared.weeks import Week

ESTIMATE_SPREAD = math.log(2.0) / NORMAL_95_ROUNDED
"""Standard deviation of ln rise where thermal data are generic: a factor of two either way holds
95 %."""

STATED_SPREAD = 0.10
"""The same where the venue file states them: volts, ambient, copper (common practice)."""

MEASURED_LEAST_KELVIN = 2.5
"""Least error of a measured temperature: one per cent of resistance. [K]"""

LEAST_CHANCE = 0.3
"""Below this probability of being near its limit a coil is not reported. The modelled rise of a
generic coil is then 17 % short of the line."""

LEAST_RISE_KELVIN = 1e-6
"""A coil that was not on has no rise; its logarithm needs one. Decides nothing. [K]"""

LEAST_ALLOWED_KELVIN = 1.0
"""A limit below the room's temperature would allow no rise at all. Assumption. [K]"""

PAST_WEEKS = 26
"""How many weeks back the run of hot weeks and the level before it are searched."""


@dataclass(frozen=True)
class _Hottest:
    """The hottest moment of a lock's week, measured or modelled."""

    celsius: float
    low: float
    high: float
    chance_near: float
    measured: bool
    at: datetime
    pulses: int


def hot_coil(history: History) -> list[Finding]:
    """Coils that came, or probably came, close to their limit this week.

    Where coil current is logged the resistance method gives the temperature, elsewhere the
    model does. The score is the probability that the margin was less than
    ``coil_near_kelvin``, given the uncertainty of the temperature.
    """
    venue = history.venue
    rows = heat_of_week(history)
    measured = measured_heat(history.actuations, venue).filter(
        pl.col("command_time").is_between(history.start, history.end, closed="left")
    )
    found = []
    for row in rows.to_dicts():
        lock = venue.locks_by_id[row["lock"]]
        limit = float(row["limit_celsius"])
        near = limit - venue.limits.coil_near_kelvin
        hottest = _measured(measured.filter(pl.col("lock") == lock.id), near)
        hottest = hottest or _modelled(row, venue.limits.ambient_celsius, near)
        day = hottest.at.astimezone(venue.zone).date()
        start = baseline_start(history, lock.id)
        if hottest.chance_near < LEAST_CHANCE or (start is not None and day < start):
            continue  # Cool enough, or repaired since.
        since, before = _past(history, lock.id, near, day)
        found.append(finding(
            lock.id, "hot-coil",
            "now" if hottest.celsius >= limit - venue.limits.coil_stop_kelvin else "week",
            hottest.chance_near, since=since, says=_says(hottest, limit, day, row),
            evidence=[
                Evidence(
                    "hottest-the-coil-was", hottest.celsius, "°C", n=hottest.pulses,
                    now_low=hottest.low, now_high=hottest.high, before=before,
                ),
                Evidence("longest-time-energised", row["longest_on_ms"] / 1000.0, "s",
                         n=row["pulses"]),
            ],
            not_excluded=() if hottest.measured else ("coil-current-high",),
        ))
    return found


def _measured(rows: pl.DataFrame, near: float) -> _Hottest | None:
    if rows.is_empty():
        return None
    top = rows.sort("celsius").row(-1, named=True)
    error = max(float(top["error_kelvin"]), MEASURED_LEAST_KELVIN)
    return _Hottest(
        top["celsius"], top["celsius"] - NORMAL_95_ROUNDED * error,
        top["celsius"] + NORMAL_95_ROUNDED * error,
        float(special.ndtr((top["celsius"] - near) / error)), True,
        top["command_time"], rows.height,
    )


def _modelled(row: dict[str, float], ambient: float, near: float) -> _Hottest:
    rise = max(row["hottest_celsius"] - ambient, LEAST_RISE_KELVIN)
    spread = ESTIMATE_SPREAD if row["generic"] else STATED_SPREAD
    moment = row["hottest_time"]
    assert isinstance(moment, datetime)
    allowed = max(near - ambient, LEAST_ALLOWED_KELVIN)
    return _Hottest(
        row["hottest_celsius"], ambient + rise * math.exp(-NORMAL_95_ROUNDED * spread),
        ambient + rise * math.exp(NORMAL_95_ROUNDED * spread),
        float(special.ndtr(math.log(rise / allowed) / spread)), False, moment,
        int(row["pulses"]),
    )


def _past(
    history: History, lock: str, near: float, day: date
) -> tuple[date, float | None]:
    """First day of the unbroken run of hot weeks, and the usual hottest before it."""
    weeks = coil_heat(
        times_of(history).filter(pl.col("lock") == lock), history.venue, ("lock", "week"),
        volts=volts_of(history),
    ).tail(PAST_WEEKS + 1).sort("week", descending=True).to_dicts()
    since, cool, expected = day, [], history.week
    running = True
    for row in weeks:
        week = Week.parse(row["week"])
        if week > history.week:
            continue
        hot = row["hottest_celsius"] >= near
        running = running and (week == history.week or (hot and week == expected))
        if running:
            since = min(since, row["hottest_time"].astimezone(history.venue.zone).date())
        else:
            cool.append(float(row["hottest_celsius"]))
        expected = week.plus(-1)
    cool.sort()
    return since, cool[len(cool) // 2] if cool else None


def _says(
    hottest: _Hottest, limit: float, day: date, row: dict[str, float]
) -> list[Sentence]:
    how = ("heat-measured" if hottest.measured else "heat-estimated"
           if row["generic"] else "heat-stated")
    return [
        say("coil-reached", celsius=Amount(hottest.celsius, "°C"), day=day), say(how),
        say("over-coil-limit" if hottest.celsius > limit else "under-coil-limit",
            kelvin=Amount(abs(limit - hottest.celsius), "°C"), limit=Amount(limit, "°C")),
    ]


HOT_COIL = Condition(
    "hot-coil", (hot_coil,), ("hottest-the-coil-was", "longest-time-energised"),
)
