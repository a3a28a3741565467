"""Forecasts kept, and how past ones turned out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import polars as pl

from remanence.analytics.parts.orders import HORIZONS, Orders
from remanence.analytics.statistics.intervals import wilson
from remanence.shared.tables import FORECASTS

BANDS = ((0.0, 0.05), (0.05, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 1.0))
"""Stated chances are told together within these bands."""


@dataclass(frozen=True)
class Calibration:
    """Forecasts over one horizon and one band of stated chances, and what came of them.

    Attributes
    ----------
    weeks : int
        The horizon.
    low, high : float
        The band of stated chances.
    forecasts, came_true : int
        How many, and how many of them came true.
    stated : float
        Mean of the stated chances.
    share_low, share_high : float
        Wilson's 95 % interval of the share that came true.
    """

    weeks: int
    low: float
    high: float
    forecasts: int
    stated: float
    came_true: int
    share_low: float
    share_high: float

    @property
    def share(self) -> float:
        """Share that came true."""
        return self.came_true / self.forecasts


def forecasts_of(orders: Orders) -> pl.DataFrame:
    """This week's forecasts: a row a lock with a part, and horizon.

    Parameters
    ----------
    orders : Orders
        From :func:`remanence.analytics.parts.orders.plan_orders`.

    Returns
    -------
    polars.DataFrame
        Schema FORECASTS; locks without a part are left out.
    """
    rows = [
        (orders.today, need.lock, need.part, weeks, need.chances[weeks])
        for need in orders.needs if need.part is not None and need.can_be_told
        for weeks in HORIZONS
    ]
    return FORECASTS.conform(pl.DataFrame(rows, schema=FORECASTS.schema, orient="row"))


def calibration(forecasts: pl.DataFrame, ends: pl.DataFrame, today: date) -> list[Calibration]:
    """Of those said to need a part within a horizon with some chance, how many did.

    Parameters
    ----------
    forecasts : polars.DataFrame
        Schema FORECASTS; only those whose horizon has passed by ``today`` are judged.
    ends : polars.DataFrame
        From :func:`remanence.analytics.parts.unit_lives.replacements`. A forecast came true if its
        lock got a new part within its horizon. Where a planned exchange came first, nobody will
        know: such forecasts are not judged.
    today : date
        The day of judgement.

    Returns
    -------
    list of Calibration
        By horizon and band, those with forecasts in them. Wilson intervals, 95 %. Forecasts
        of neighbouring weeks overlap, so the intervals are narrower than the truth is known.
    """
    due = forecasts.filter(
        pl.col("made") + pl.duration(weeks=pl.col("weeks")) <= pl.lit(today)
    ).with_row_index("row")
    first = (
        due.join(ends.select("lock", "planned", replaced="date"), on="lock")
        .filter((pl.col("replaced") > pl.col("made"))
                & (pl.col("replaced") <= pl.col("made") + pl.duration(weeks=pl.col("weeks"))))
        .sort("replaced").group_by("row", maintain_order=True).first()
        .select("row", "planned", came=pl.lit(True))
    )
    judged = (
        due.join(first, on="row", how="left", maintain_order="left")
        .with_columns(pl.col("came").fill_null(False))
        .filter(~pl.col("planned").fill_null(False))
    )
    out = []
    for weeks in HORIZONS:
        for low, high in BANDS:
            last = high == BANDS[-1][1]
            mine = judged.filter(
                (pl.col("weeks") == weeks) & (pl.col("chance") >= low)
                & ((pl.col("chance") < high) | pl.lit(last))
            )
            if mine.is_empty():
                continue
            true = int(mine["came"].sum())
            share_low, share_high = wilson(true, mine.height)
            stated = sum(mine["chance"].to_list()) / mine.height
            out.append(Calibration(
                weeks, low, high, mine.height, stated, true, share_low, share_high
            ))
    return out
