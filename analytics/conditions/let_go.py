"""Rails that let their magnets go together in play: said as supply-sag, and of no magnet."""

from __future__ import annotations

import numpy as np
import polars as pl

from remanence.analytics.conditions.condition import finding
from remanence.analytics.conditions.in_play import in_play, openings_energised, played
from remanence.analytics.history import History, day_ordinals
from remanence.analytics.statistics.intervals import poisson_limits
from remanence.analytics.statistics.rates import change_of_rate
from remanence.shared.findings import Evidence, Finding, say

_LETS_GO, _LETS_GO_DAYS, _BY_SOMEBODY = 3, 2, 1 / 5
"""Times in the play of two weeks that a rail lets its magnets go, and days that they lie on,
before they are told (a stop that is tested each week makes two); and the chance that those of one
day are somebody's work, at the switch or at the emergency stop (assumption)."""


def lets_go(history: History) -> list[Finding]:
    """Rails whose held magnets open together in play, again and again.

    A supply that is overloaded shuts down for a moment and starts again; a fuse, a plug or a main
    lead that comes loose does the same. Each magnet by itself holds well.
    """
    moments = in_play(
        openings_energised(history).filter("of_rail"), history
    ).group_by("supply", "moment").agg(pl.col("time", "day", "weeks_ago").min())
    monday = history.week.monday
    found = []
    for supply in history.venue.supplies:
        rows = moments.filter(pl.col("supply") == supply.id).sort("time")
        now = rows.filter(pl.col("weeks_ago") == 0)
        lately = rows.filter(pl.col("weeks_ago") <= 1)
        if now.is_empty() or lately.height < _LETS_GO or (
                lately["day"].n_unique() < _LETS_GO_DAYS):
            continue
        days = day_ordinals(played(history).sort("day")["day"])
        begun = change_of_rate(days, np.isin(days, day_ordinals(rows["day"])))
        since, low, high = (
            begun.dates() if begun is not None and begun.log_odds > 0
            else (rows["day"][0], None, None))
        before = rows.filter(pl.col("day") < since)
        weeks = max((monday.toordinal() - int(days[0])) / 7.0, 1.0)
        count_low, count_high = poisson_limits(now.height)
        found.append(finding(
            supply.id, "supply-sag", "week", 1.0 - _BY_SOMEBODY ** lately["day"].n_unique(),
            since=since, since_low=low, since_high=high,
            says=[say("magnets-let-go-together", count=now.height)],
            evidence=[Evidence(
                "times-magnets-let-go", float(now.height), "a week", n=now.height,
                now_low=count_low, now_high=count_high, before=before.height / weeks)],
            not_excluded=("emergency-stop",), subject_kind="supply",
        ))
    return found
