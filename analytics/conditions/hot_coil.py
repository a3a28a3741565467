"""The condition hot-coil: a coil comes near the temperature that its winding bears."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime

import polars as pl
from scipy import special

from remanence.analytics.conditions.condition import Condition, finding
from remanence.analytics.history import History, baseline_start
from remanence.analytics.physics.coil_heat import coil_heat, lasting_until, measured_heat
from remanence.shared.findings import Amount, Evidence, Finding, Sentence, say
from remanence.shared.weeks import Week

NEAR_KELVIN = 30.0
"""This close to what the winding bears is near: a designer stays 30 K below it (trade practice)."""

NOW_KELVIN = 20.0
"""This close nobody runs with it (trade practice)."""

ESTIMATE_SPREAD = math.log(2.0) / 1.96
"""Standard deviation of ln rise where thermal data are generic: a factor of two either way holds
95 %."""

STATED_SPREAD = 0.10
"""The same where the venue file states them: volts, ambient, copper (common practice)."""

PAST_WEEKS = 26


@dataclass(frozen=True)
class _Hottest:
    """The hottest moment of a lock's week, as best known."""

    celsius: float
    low: float
    high: float
    chance_near: float
    measured: bool
    at: datetime
    pulses: int


def hot_coil(history: History) -> list[Finding]:
    """Coils that came, or probably came, within 30 K of what they bear this week.

    Where coil current is logged the temperature is that of the resistance method, else the
    model's; the score is the probability that the margin was less than 30 K, given the
    uncertainty of either.
    """
    venue = history.venue
    rows = coil_heat(
        history.energisings, venue, actuations=history.actuations, start=history.start,
        until=lasting_until(history),
    )
    measured = measured_heat(history.actuations, venue).filter(
        pl.col("command_time").is_between(history.start, history.end, closed="left")
    )
    found = []
    for row in rows.to_dicts():
        lock = venue.locks_by_id[row["lock"]]
        limit = float(row["limit_celsius"])
        hottest = _measured(measured.filter(pl.col("lock") == lock.id), limit)
        hottest = hottest or _modelled(row, venue.limits.ambient_celsius, limit)
        day = hottest.at.astimezone(venue.zone).date()
        start = baseline_start(history, lock.id)
        if hottest.chance_near < 0.3 or (start is not None and day < start):
            continue  # Cool enough, or mended since.
        since, before = _past(history, lock.id, limit, day)
        found.append(finding(
            lock.id, "hot-coil",
            "now" if hottest.celsius >= limit - NOW_KELVIN else "week", hottest.chance_near,
            since=since, says=_says(hottest, limit, day, row),
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


def _measured(rows: pl.DataFrame, limit: float) -> _Hottest | None:
    if rows.is_empty():
        return None
    top = rows.sort("celsius").row(-1, named=True)
    error = max(float(top["error_kelvin"]), 2.5)  # one per cent of resistance
    return _Hottest(
        top["celsius"], top["celsius"] - 1.96 * error, top["celsius"] + 1.96 * error,
        float(special.ndtr((top["celsius"] - limit + NEAR_KELVIN) / error)), True,
        top["command_time"], rows.height,
    )


def _modelled(row: dict[str, float], ambient: float, limit: float) -> _Hottest:
    rise = max(row["hottest_celsius"] - ambient, 1e-6)
    generic = row["hottest_high_celsius"] > row["hottest_celsius"] + 1e-9
    spread = ESTIMATE_SPREAD if generic else STATED_SPREAD
    near = max(limit - NEAR_KELVIN - ambient, 1.0)
    moment = row["hottest_time"]
    assert isinstance(moment, datetime)
    return _Hottest(
        row["hottest_celsius"], ambient + rise * math.exp(-1.96 * spread),
        ambient + rise * math.exp(1.96 * spread),
        float(special.ndtr(math.log(rise / near) / spread)), False, moment, int(row["pulses"]),
    )


def _past(
    history: History, lock: str, limit: float, day: date
) -> tuple[date, float | None]:
    """First day of the unbroken run of hot weeks, and the usual hottest before it."""
    weeks = coil_heat(
        history.energisings.filter(pl.col("lock") == lock), history.venue, ("lock", "week"),
        actuations=history.actuations.filter(pl.col("lock") == lock),
    ).tail(PAST_WEEKS + 1).sort("week", descending=True).to_dicts()
    since, cool, expected = day, [], history.week
    running = True
    for row in weeks:
        week = Week.parse(row["week"])
        if week > history.week:
            continue
        hot = row["hottest_celsius"] >= limit - NEAR_KELVIN
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
           if row["hottest_high_celsius"] > row["hottest_celsius"] + 1e-9 else "heat-stated")
    return [
        say("coil-reached", celsius=Amount(hottest.celsius, "°C"), day=day), say(how),
        say("over-coil-limit" if hottest.celsius > limit else "under-coil-limit",
            kelvin=Amount(abs(limit - hottest.celsius), "°C"), limit=Amount(limit, "°C")),
    ]


HOT_COIL = Condition(
    "hot-coil", (hot_coil,), ("hottest-the-coil-was", "longest-time-energised"),
)
