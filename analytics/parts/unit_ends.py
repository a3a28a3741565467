"""Why a unit's life ended: its wear showed, it failed without a sign, or advice was followed.

The service log says when a unit was replaced, seldom why. The log of its last weeks does: a unit
whose releases had slowed for weeks wore out, if it had come to its limit; if it had not, somebody
replaced it in good time. One that worked as ever until its end failed by its age, whatever broke.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from remanence.analytics.parts.unanswered import (
    LEAST_MISSED,
    PRESENT_SHARE_WEEKS,
)
from remanence.analytics.parts.wear import limit_of
from remanence.analytics.parts.weekly_level import healthy_latency, risen_since, weekly_levels
from remanence.shared.limits import Limits
from remanence.shared.venue import Lock

RUNNING, FAILED, WORN, ADVICE, PLANNED = "running", "failed", "worn", "advice", "planned"
LAST_COMMANDS = 5
"""Commands that show how a unit was at its end: their middle stands against two odd ones."""
AT_LIMIT = 0.9
"""Share of the limit from which a unit counts as come to it: five releases tell their middle to
about a tenth."""
HALFWAY = 0.5
"""Share of the way to the limit (log scale) from which a unit that no longer answers is worn; one
that had hardly slowed failed of something else."""


@dataclass(frozen=True)
class UnitLife:
    """One unit in one place.

    Attributes
    ----------
    cycles : float
        What it had done at its end, or has done by now.
    end : str
        ``running``, ``failed`` (without a sign of wear), ``worn`` (wear showed, and it met its
        limit), ``advice`` (wear showed, and it was replaced before it met its limit) or ``planned``
        (exchanged with the others of its kind).
    entry : float
        What it had done when it came under observation.
    sign : float or None
        What it had done when its wear began to show; None where it never did.
    """

    cycles: float
    end: str
    entry: float
    sign: float | None = None

    @property
    def failed(self) -> bool:
        """Whether it failed, of whatever cause."""
        return self.end in (FAILED, WORN)

    @property
    def shown(self) -> float | None:
        """Cycles done since its wear began to show; None where it does not."""
        return None if self.sign is None else self.cycles - self.sign

    @property
    def wanted(self) -> bool:
        """Whether a new unit was wanted for it alone."""
        return self.failed or self.end == ADVICE


def how_it_ended(
    lock: Lock, rows: pl.DataFrame | None, pulse_ms: float | None, limits: Limits
) -> tuple[str, float | None]:
    """Why a unit that was replaced came to its end, and when its wear had begun to show.

    Parameters
    ----------
    lock : Lock
        Where it was fitted.
    rows : polars.DataFrame or None
        Its actuations, in order of time, with ``weeks_ago``.
    pulse_ms : float or None
        The pulse that the program sets.
    limits : Limits
        The venue's.

    Returns
    -------
    end : str
        ``failed``, ``worn`` or ``advice`` (:class:`UnitLife`).
    sign : float or None
        Cycles from the first of ``rows`` to the first sign of wear that stayed.
    """
    if rows is None or not rows.height or lock.latency_kind in (None, "door"):
        return FAILED, None
    missed = _missed_sign(rows, limits)
    weekly = weekly_levels(rows, (lock.id,) if lock.pulsed else ())
    risen = risen_since(weekly, limits)
    if risen is None:
        return (FAILED, None) if missed is None else (WORN, missed)
    since = risen
    healthy = healthy_latency(weekly["latency_ms"].to_numpy())
    limit = limit_of(lock, pulse_ms, healthy, limits)[0]
    if missed is not None:
        return WORN, min(since, missed)
    asked = rows.filter((pl.col("attempt") == 1)
                        & pl.col("outcome").is_in(["released", "no-release"]))
    times = asked["latency_ms"].to_numpy()
    answered = times[np.isfinite(times)]
    now = float(np.median(np.where(np.isfinite(times), times, np.inf)[-LAST_COMMANDS:]))
    if now < AT_LIMIT * limit:
        return ADVICE, since
    last = float(np.median(answered[-LAST_COMMANDS:])) if answered.size else np.inf
    far = np.isfinite(limit) and np.log(last / healthy) < HALFWAY * np.log(limit / healthy)
    return (FAILED if far else WORN), since


def _missed_sign(rows: pl.DataFrame, limits: Limits) -> float | None:
    """Cycles until unanswered commands had grown to the share at which a new part is due.

    The last week is left out: a unit that fails at once is silent there too.
    """
    newest = int(rows["weeks_ago"].to_numpy()[-1])
    late = rows.filter(
        (pl.col("attempt") == 1) & pl.col("outcome").is_in(["released", "no-release"])
        & pl.col("weeks_ago").is_between(newest + 1, newest + PRESENT_SHARE_WEEKS))
    missed = int((late["outcome"] == "no-release").sum())
    if missed < LEAST_MISSED or missed < limits.no_release_worn_percent / 100 * late.height:
        return None
    return float((rows["weeks_ago"] > newest + PRESENT_SHARE_WEEKS).sum())
