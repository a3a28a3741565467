"""How long each lock has left where its measures drift, as a distribution, or no date at all.

A lock wears along a path. For a spring latch the path is the share of its force margin that
friction has used up: latency hardly shows it at first and then all at once, so the path is read
from the latency through the margin, never by a straight line through the latency itself. For a
magnet it is the logarithm of its latency. The path is a straight drift with a random walk; the
time at which it first meets the limit is inverse Gaussian.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.evidence import baseline_start, per_lock, with_weeks
from analytics.history import History
from shared.venue import Lock

Reals = npt.NDArray[np.float64]

MARGIN_EXPONENT = 0.54
"""Latency over healthy latency = (1 - share of margin used) ** -0.54. Fitted to a calculated
table for a 12 V latch at 20 degrees Celsius: friction in seven equal steps to stalling gives
23, 25, 28, 31, 36, 44, 82 ms (dependable in shape, not in absolute value)."""
STALL_SHARE = 0.95
"""A latch counts as at the end of its margin when this share of it is used: five times slower."""
PULSE_FACTOR = 1.2
"""A latency beyond the pulse over this factor leaves the pulse no room (trade practice)."""
OFF_TIME_FACTOR = 1.5
"""The same for the off-time a magnet is given."""
LEAST_WEEKS = 6
"""Weeks with releases below which no path is fitted."""
LEAST_MISSED = 5
"""Unanswered commands below which no rise of their share is told."""
DRAWS = 4000
LEVEL_PRIOR, DRIFT_PRIOR = 0.5, 0.06
"""Standard deviations, before any data, of a healthy level about 0 and of drift per week: a lock
that wears out within a quarter of a year uses up 0.06 to 0.08 of its margin a week."""
ONSETS = 24
WALKS = (0.0, 0.005, 0.01, 0.02, 0.04, 0.08)
NOISE_FACTORS = (1.0, 1.6, 2.5, 4.0)
"""Grid of the fit: onsets, random walk per square root of a week, and how many times the scatter of
single releases the weekly level scatters."""


@dataclass(frozen=True)
class Path:
    """A fitted path: draws of its level now, its drift per week and its walk, and how sure it is.

    ``rising`` is the probability that the drift is real and upward; ``since_weeks`` how long ago
    it began.
    """

    level: Reals
    drift: Reals
    walk: Reals
    rising: float
    since_weeks: float


@dataclass(frozen=True)
class LockWear:
    """What drift says of one lock's remaining life.

    ``sign`` is ``"wearing"``, ``"at its limit"``, ``"no sign of wear"``, ``"not enough data"`` or
    ``"not observed"``. ``weeks`` are draws of the weeks left (infinite where the path does not
    meet the limit), empty unless it is wearing or at its limit.
    """

    lock: str
    sign: str
    latency_ms: float | None
    healthy_ms: float | None
    limit_ms: float | None
    limit_from: str
    games_per_week: float
    actuations_per_week: float
    weeks: Reals
    since_weeks: float | None = None

    def interval(self, coverage: float) -> tuple[float, float]:
        """Weeks between which the limit is met with ``coverage``; infinite where it may never."""
        tail = (1 - coverage) / 2
        low, high = np.quantile(self.weeks, [tail, 1 - tail], method="inverted_cdf")
        return float(low), float(high)

    @property
    def median_weeks(self) -> float:
        """Middle of the weeks left."""
        return float(np.quantile(self.weeks, 0.5, method="inverted_cdf"))

    def chance_within(self, weeks: float) -> float:
        """Probability that the limit is met within so many weeks."""
        return float(np.mean(self.weeks <= weeks)) if self.weeks.size else 0.0


def margin_used(latency_ratio: npt.ArrayLike) -> Reals:
    """Share of a latch's force margin used up, from its latency over its healthy latency.

    Parameters
    ----------
    latency_ratio : array_like
        1 when healthy; below 1 gives a negative share.

    Returns
    -------
    numpy.ndarray
        1 - ratio ** (-1 / 0.54), below 1.
    """
    ratio = np.asarray(latency_ratio, dtype=np.float64)
    return np.asarray(1.0 - ratio ** (-1.0 / MARGIN_EXPONENT))


def first_passage(
    level: Reals, drift: Reals, walk: Reals, limit: float, rng: np.random.Generator
) -> Reals:
    """Draws of the time at which level + drift t + walk W(t) first meets ``limit``.

    Parameters
    ----------
    level, drift : numpy.ndarray, shape (n,)
        Draws of where the path stands and of its drift per week.
    walk : numpy.ndarray, shape (n,)
        Draws of the standard deviation of the random walk over one week.
    limit : float
        The level to meet.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Weeks; 0 where the level is beyond the limit, infinite where it is never met.

    References
    ----------
    .. [1] First passage of a Wiener process with drift is inverse Gaussian with mean
       distance / drift and shape (distance / walk) ** 2; with drift away from the limit it is met
       with probability exp(2 drift distance / walk**2). Textbook result; for degradation see
       doi:10.1080/00401706.2013.830074.
    """
    distance = limit - level
    weeks = np.full(level.shape, np.inf)
    weeks[distance <= 0] = 0.0
    ahead = distance > 0
    straight = ahead & (walk <= 0) & (drift > 0)
    weeks[straight] = distance[straight] / drift[straight]
    wide = np.where(walk > 0, walk, 1.0)
    meets = rng.random(level.size) < np.exp(np.minimum(2 * drift * distance / wide**2, 0.0))
    moving = ahead & (walk > 0) & meets & (np.abs(drift) > 1e-9)
    weeks[moving] = rng.wald(
        distance[moving] / np.abs(drift[moving]), (distance[moving] / walk[moving]) ** 2
    )
    return weeks


def fit_path(weeks: Reals, level: Reals, deviation: Reals, rng: np.random.Generator) -> Path:
    """Fit a flat stretch followed by a drift with a random walk to weekly levels.

    Parameters
    ----------
    weeks : numpy.ndarray, shape (n,)
        Week numbers, rising; the last is now.
    level : numpy.ndarray, shape (n,)
        Where the path stood.
    deviation : numpy.ndarray, shape (n,)
        Standard deviation of each level from the scatter of single releases.
    rng : numpy.random.Generator
        Source of chance for the draws.

    Returns
    -------
    Path

    Notes
    -----
    The levels are Gaussian: a constant, from an unknown onset on a drift and a Wiener process,
    and the scatter of single releases times an unknown factor (days have their own whims). Onset,
    walk and factor lie on a grid, weighted by marginal likelihood against each other and against no
    drift at all; level now and drift are drawn from their joint posterior in each cell.
    """
    cells = _cells(weeks)
    count = weeks.size
    elapsed = np.clip(weeks[None, :] - cells[:, :1], 0.0, None)
    moving = cells[:, 1] >= 0
    walk = np.where(moving, cells[:, 1], 0.0)[:, None, None]
    slope = np.where(moving, DRIFT_PRIOR**2, 0.0)[:, None, None]
    shared = LEVEL_PRIOR**2 + walk**2 * np.minimum(elapsed[:, :, None], elapsed[:, None, :]) + (
        slope * elapsed[:, :, None] * elapsed[:, None, :]
    )
    noise = (cells[:, 2:3] * deviation[None, :]) ** 2
    covariance = shared + noise[:, :, None] * np.eye(count)
    root = np.linalg.cholesky(covariance)
    white = np.linalg.solve(root, np.broadcast_to(level[:, None], (len(cells), count, 1)))[..., 0]
    log_likelihood = -0.5 * (white**2).sum(axis=1) - np.log(
        np.diagonal(root, axis1=1, axis2=2)
    ).sum(axis=1)
    # Half of the belief lies with no drift before any data is seen.
    log_likelihood = log_likelihood - np.log(np.where(moving, moving.sum(), (~moving).sum()))
    chance = np.exp(log_likelihood - log_likelihood.max())
    chance /= chance.sum()
    # Level now is the path's last row of ``shared``; the drift answers to elapsed time alone.
    cross = np.stack([shared[:, -1, :], slope[:, 0] * elapsed], axis=1)
    gain = np.linalg.solve(covariance, np.swapaxes(cross, 1, 2))
    mean = np.einsum("cnk,n->ck", gain, level)
    prior = np.empty((len(cells), 2, 2))
    prior[:, 0, 0] = shared[:, -1, -1]
    prior[:, 0, 1] = prior[:, 1, 0] = slope[:, 0, 0] * elapsed[:, -1]
    prior[:, 1, 1] = slope[:, 0, 0]
    spread = prior - cross @ gain
    chosen = rng.choice(len(cells), size=DRAWS, p=chance)
    normal = rng.standard_normal((DRAWS, 2))
    drawn = spread[chosen]
    first = np.sqrt(np.maximum(drawn[:, 0, 0], 1e-18))
    tie = drawn[:, 1, 0] / first
    rest = np.sqrt(np.maximum(drawn[:, 1, 1] - tie**2, 0.0))
    now = mean[chosen, 0] + first * normal[:, 0]
    drift = mean[chosen, 1] + tie * normal[:, 0] + rest * normal[:, 1]
    drift[~moving[chosen]] = 0.0
    rises = drift > 0
    since = weeks[-1] - cells[chosen, 0]
    return Path(
        now, drift, walk[chosen, 0, 0], float(rises.mean()),
        float(np.median(since[rises])) if rises.any() else 0.0,
    )


def _cells(weeks: Reals) -> Reals:
    """Grid of (onset, walk, noise factor); a walk of -1 stands for no drift, onset now."""
    latest = max(weeks.size - 2, 1)
    onsets = np.unique(weeks[np.linspace(0, latest - 1, min(latest, ONSETS)).astype(int)])
    drifting = np.array(np.meshgrid(onsets, WALKS, NOISE_FACTORS)).reshape(3, -1).T
    still = np.array([(weeks[-1], -1.0, factor) for factor in NOISE_FACTORS])
    return np.vstack([drifting, still])


def limit_of(lock: Lock, pulse_ms: float | None, healthy_ms: float) -> tuple[float, str]:
    """The latency at which a lock is at its end, and what sets it.

    Parameters
    ----------
    lock : Lock
        Whose.
    pulse_ms : float or None
        The releasing command it is usually given.
    healthy_ms : float
        Its healthy latency.

    Returns
    -------
    limit_ms : float
        The lowest of the designer's limit, what the pulse leaves room for, and (latches)
        the latency shortly before stalling. Infinite where a magnet has none of them.
    limit_from : str
        ``"designer"``, ``"pulse"``, ``"stall"`` or ``"none"``.
    """
    limits = [(np.inf, "none")]
    if lock.pulsed:
        limits.append((healthy_ms * (1 - STALL_SHARE) ** -MARGIN_EXPONENT, "stall"))
    if pulse_ms is not None and pulse_ms > 0:
        limits.append((pulse_ms / (PULSE_FACTOR if lock.pulsed else OFF_TIME_FACTOR), "pulse"))
    if lock.release_within_ms is not None:
        limits.append((lock.release_within_ms, "designer"))
    return min(limits)


def weekly_levels(rows: pl.DataFrame) -> pl.DataFrame:
    """Weekly median latency of first attempts, unanswered ones counted as slower than all.

    Parameters
    ----------
    rows : polars.DataFrame
        One lock's actuations with ``weeks_ago``.

    Returns
    -------
    polars.DataFrame
        Columns ``week`` (0 is now, -1 the week before), ``latency_ms``, ``deviation`` (of
        its logarithm, from the scatter of single releases), ``n``; rising by ``week``. Weeks
        with fewer than three releases, or whose median was never reached, are left out.
    """
    tried = rows.filter(
        (pl.col("attempt") == 1) & pl.col("outcome").is_in(["released", "no-release"])
    ).with_columns(
        time=pl.col("latency_ms") - pl.col("resolution_ms").fill_null(0.0) / 2,
    )
    weekly = tried.group_by("weeks_ago").agg(
        n=pl.len(), released=(pl.col("outcome") == "released").sum(),
        latency_ms=pl.col("time").fill_null(float("inf")).median(),
        low=pl.col("time").quantile(0.25), high=pl.col("time").quantile(0.75),
        step=pl.col("resolution_ms").median().fill_null(0.0),
    ).filter((pl.col("released") >= 3) & pl.col("latency_ms").is_finite()
             & (pl.col("latency_ms") > 0))
    # Standard error of a median of a normal sample: 1.2533 s / sqrt(n); quartiles give s.
    scatter = pl.max_horizontal(
        (pl.col("high") / pl.col("low")).log() / 1.349,
        pl.col("step") / pl.col("latency_ms") / 12**0.5, pl.lit(0.02),
    )
    return weekly.select(
        week=-pl.col("weeks_ago"), latency_ms="latency_ms",
        deviation=1.2533 * scatter / pl.col("n").sqrt(), n="n",
    ).sort("week")


def remaining_life(history: History, *, seed: int = 20260301) -> list[LockWear]:
    """What each lock's drift says of its remaining life.

    Parameters
    ----------
    history : History
        Up to the week asked for; a year or more is of use.
    seed : int, default 20260301
        The draws' source of chance: the same data give the same figures.

    Returns
    -------
    list of LockWear
        One a lock, in the venue file's order. A lock whose latency rests on a door contact
        holds a person's time and is ``"not observed"``.
    """
    dated = with_weeks(history.actuations, "command_time", history)
    games = games_per_week(history)
    rows_of = per_lock(dated.filter(pl.col("weeks_ago") >= 0))
    return [
        _lock_wear(history, lock, rows_of.get(lock.id), games, np.random.default_rng([seed, i]))
        for i, lock in enumerate(history.venue.locks)
    ]


def games_per_week(history: History) -> float:
    """Games a week over the last eight weeks: the middle of the locks' first attempts a week."""
    dated = with_weeks(history.actuations, "command_time", history)
    recent = dated.filter(pl.col("weeks_ago").is_between(0, 7) & (pl.col("attempt") == 1))
    if recent.is_empty():
        return 0.0
    span = min(8, _oldest(dated) + 1)
    counts = recent.group_by("lock").len()["len"]
    return float(counts.median() or 0.0) / span  # type: ignore[arg-type]


def _oldest(rows: pl.DataFrame) -> int:
    """How many weeks ago the oldest row is."""
    ages = rows["weeks_ago"].to_numpy()
    return int(ages.max()) if ages.size else 0


def _lock_wear(
    history: History, lock: Lock, rows: pl.DataFrame | None, games: float,
    rng: np.random.Generator,
) -> LockWear:
    none = np.empty(0)

    def say(sign: str, pace: float = 0.0) -> LockWear:
        return LockWear(lock.id, sign, None, None, None, "none", games, pace, none)

    if lock.latency_kind in (None, "door") or rows is None or rows.is_empty():
        observed = lock.latency_kind not in (None, "door")
        return say("not enough data" if observed else "not observed")
    start = baseline_start(history, lock.id)
    if start is not None:
        rows = rows.filter(pl.col("day") >= start)
    recent = rows.filter(pl.col("weeks_ago") <= 7)
    span = min(8, _oldest(rows) + 1)
    pace = recent.height / span
    weekly = weekly_levels(rows)
    if weekly.height < LEAST_WEEKS:
        return say("not enough data", pace)
    week = weekly["week"].to_numpy().astype(np.float64)
    latency = weekly["latency_ms"].to_numpy()
    deviation = weekly["deviation"].to_numpy()
    healthy = float(np.median(latency[: max(3, min(8, week.size // 3))]))
    pulse = rows.filter(pl.col("weeks_ago") <= 3)["pulse_ms"].median()
    limit, limit_from = limit_of(
        lock, float(pulse) if isinstance(pulse, int | float) else None, healthy
    )
    ratio = latency / healthy
    if lock.pulsed:
        level = margin_used(ratio)
        deviation = deviation / MARGIN_EXPONENT * ratio ** (-1 / MARGIN_EXPONENT)
        end = float(margin_used(limit / healthy))
    else:
        level, end = np.log(ratio), float(np.log(limit / healthy))
    path = fit_path(week, level, deviation, rng)
    missed = _unanswered_wear(rows, history.venue.limits.no_release_worn_percent / 100, rng)
    weeks, sign = none, "no sign of wear"
    recent_level = float(np.median(latency[-2:]))
    # A pulse cut short in the program meets a healthy latency too: that is no wear.
    if path.rising >= 0.975 and np.isfinite(end):
        sign = "wearing"
        # A week's median stands for its middle: half a week of what is ahead has passed.
        weeks = np.maximum(
            first_passage(path.level, path.drift, path.walk, end, rng) - 0.5, 0.0
        )
        if recent_level >= limit:
            sign, weeks = "at its limit", np.zeros(DRAWS)
    since = path.since_weeks if sign == "wearing" else None
    if missed is not None and sign != "at its limit":
        # Whichever limit is met first ends the life.
        earlier = np.minimum(weeks, missed[0]) if weeks.size else missed[0]
        if not weeks.size or np.median(missed[0]) < np.median(weeks):
            limit_from = "no-release"
            since = missed[1]
        weeks = earlier
        sign = "wearing" if weeks.any() else "at its limit"
    return LockWear(
        lock.id, sign, recent_level, healthy, limit if np.isfinite(limit) else None, limit_from,
        games, pace, weeks, since if sign == "wearing" else None,
    )


def _unanswered_wear(
    rows: pl.DataFrame, limit_share: float, rng: np.random.Generator
) -> tuple[Reals, float] | None:
    """Draws of the weeks until the share of unanswered commands meets its limit, and since when.

    None where the share does not surely rise. Weekly shares are brought to a scale on which
    their scatter does not depend on them: the arc sine of the root of
    (count + 3/8) / (commands + 3/4), with standard deviation 1 / (2 sqrt(commands + 1/2)).

    Source: Anscombe, "The transformation of Poisson, binomial and negative-binomial data",
    Biometrika 35 (1948) 246.
    """
    weekly = (
        rows.filter((pl.col("attempt") == 1)
                    & pl.col("outcome").is_in(["released", "no-release"]))
        .group_by("weeks_ago")
        .agg(n=pl.len(), missed=(pl.col("outcome") == "no-release").sum())
        .filter(pl.col("n") >= 5).sort("weeks_ago", descending=True)
    )
    total = int(weekly["missed"].sum())
    if weekly.height < LEAST_WEEKS or total < LEAST_MISSED:
        return None
    count = weekly["n"].to_numpy().astype(np.float64)
    missed = weekly["missed"].to_numpy().astype(np.float64)
    level = np.arcsin(np.sqrt((missed + 0.375) / (count + 0.75)))
    usual = float(np.median(count))
    end = float(np.arcsin(np.sqrt((limit_share * usual + 0.375) / (usual + 0.75))))
    path = fit_path(-weekly["weeks_ago"].to_numpy().astype(np.float64), level,
                    0.5 / np.sqrt(count + 0.5), rng)
    if path.rising < 0.975:
        return None
    recent = missed[-4:].sum() / count[-4:].sum()
    if recent >= limit_share:
        return np.zeros(DRAWS), path.since_weeks
    left = first_passage(path.level, path.drift, path.walk, end, rng) - 0.5
    return np.maximum(left, 0.0), path.since_weeks
