"""Conditions of a rail: low-supply and supply-sag. Each is said once, of the rail."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from remanence.analytics.conditions.condition import Condition, finding
from remanence.analytics.conditions.evidence import share_evidence
from remanence.analytics.conditions.let_go import lets_go
from remanence.analytics.history import History, day_ordinals
from remanence.analytics.physics.cable import COPPER_PER_KELVIN
from remanence.analytics.physics.idle_volts import IdleVolts, idle_volts
from remanence.analytics.physics.rail_load import (
    ROOM_KELVIN,
    RailLoad,
    measured_sags,
    rail_loads,
)
from remanence.analytics.physics.regimes import ABOUT_DAYS, regimes
from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.change import Change
from remanence.analytics.statistics.intervals import probability, robust_deviation
from remanence.analytics.statistics.level_change import level_change, level_of_days
from remanence.analytics.statistics.rates import JEFFREYS, change_of_rate
from remanence.analytics.statistics.seasoned import shift_since
from remanence.shared.findings import Amount, Evidence, Finding, Sentence, say
from remanence.shared.venue import Supply

_DIVIDER = 0.012
"""Standard deviation of a rail reading's scale: dividers of 1 to 5 % (trade practice)."""
_DROP = 0.04
"""A lasting fall of the idle volts, as a share of rated, that is told as a matter to watch although
the rail is inside its window (assumption)."""
_STIFF_WATCH, _STIFF_PLAN = 0.12, 0.20
"""Rises of the sag per ampere, as natural logarithms, that are told as a matter to watch and to
plan for (assumption)."""

_FEWEST_IDLE_HOURS = 3
"""Hours of a week that tell a rail's idle volts, and low ones among them that tell a low rail: two
may be one moment either side of the hour (assumption)."""
_IDLE_LEVEL_SHARE, _IDLE_DAYS_SHARE = 0.002, 0.001
"""Least standard deviation of the idle volts of single days and of their level, as shares of rated:
some counts of a converter of 10 to 12 bits (assumption)."""
_WELL_INSIDE = 0.03
"""A fall of the idle volts to under the window, as a share of rated, that the meter's own scale
cannot account for, since the same meter read both levels (assumption)."""
_SET_SHARE = 0.02
"""Standard deviation of a sound supply's true idle volts about rated, as a share of it: how they
are set, and what their leads lose (trade practice)."""
_NEARLY_ALL_HOURS = 0.9
"""Where a larger share of the week's hours is low, their count is not worth a sentence."""
_LOW_WEEK_SHARE, _LOW_WEEK_SCORE = 0.5, 0.7
"""A rail that is low in half the hours, and more likely so than not, is looked at this week
(assumption)."""
_IDLE_FALL_Z = -6.0
"""Standard errors of a fall inside the window before it is told: neighbouring days are alike, so
that more than the usual three are asked for (assumption)."""
_FEWEST_IDLE_DAYS = 3
"""Days at the lower level before a fall inside the window is told (assumption)."""
_IDLE_PAST_DAYS = 90
"""Days before this week that tell how far a rail's idle volts scatter."""
_IDLE_HALF_WIDTH = 2.1
"""Half width of the level's 95 % interval in standard deviations: Student's t with some 18 degrees
of freedom (calculated)."""
_SAG_TELLERS = 2
"""Locks that must show a rail's share of a sag on a day: one alone may be its own branch."""
_FEWEST_SAG_DAYS = 5
"""Days with such a share before its change is looked for (assumption)."""
_SAG_LEVEL_FLOOR = 0.02
"""Least standard deviation of a day's share of the sag, as a natural logarithm (assumption)."""
_ROOMS_APART_KELVIN, _MOST_SEASONS = 2.0, 4.0
"""Standard deviation over the year of one room's temperature against the others' of its venue
(assumption); deviations of a room's year from which a rail's change is not its copper's warmth."""
_LATE_DAYS = 7
"""By so many days a rail may have been read later than the other, and still tell of the warmth of
all of its days (assumption)."""
_STIFF_Z = 5.0
"""Standard errors of a rise of the sag per ampere before it is told (assumption)."""
_SUSPICIOUS_VOLTS, _DEEP_QUANTILE = 0.1, 0.9
"""Volts that a joint takes off under load from which it is suspicious (trade practice), and the
quantile of the rail's sags that they are taken of."""
_FEWEST_LOADED_LOW, _LOADED_LOW_SHARE = 5, 0.2
"""Commands of a week under the loaded limit, as a count and as a share, before they are told: a
single deep sag is a matter of two locks that pull together (assumption)."""
_LOADED_ONSET_ODDS = 2.0
"""Natural log odds from which the onset of low loaded volts is dated by the change of their rate;
else by the first of them (assumption)."""
_NEWLY_PAST, _NEWLY_SHARE = 20, 0.05
"""Loaded volts are newly low where at least so many earlier commands are known and at most this
share of them was low (assumption)."""
_NEWLY_LOW_PRIOR = 1 / 100
"""Chance, before any data, that commands which were well supplied no longer are (assumption)."""
_SCALES = _DIVIDER * np.linspace(-3.0, 3.0, 25)
_SCALE_WEIGHTS = np.exp(-0.5 * np.linspace(-3.0, 3.0, 25) ** 2)
"""By how much a meter's scale may be off, and how probable each is to the others: a normal
distribution in steps of a quarter of its deviation (calculated)."""


# Low.


def low_supply(history: History) -> list[Finding]:
    """Rails whose idle volts are under the rated window, or have fallen for good inside it."""
    found = []
    monday = history.week.monday.toordinal()
    for supply in history.venue.supplies:
        idle = idle_volts(history)[supply.id]
        now = idle.ago == 0
        if now.sum() < _FEWEST_IDLE_HOURS:
            continue
        floor = history.venue.limits.supply_low_percent / 100 * supply.rated_volts
        days, medians = idle.daily()
        change = level_change(
            days, medians, monday, floor=_IDLE_LEVEL_SHARE * supply.rated_volts)
        low = idle.volts < floor
        if (low & now).sum() >= _FEWEST_IDLE_HOURS:
            found.append(_under_window(supply, idle, low, floor, change))
        elif change and supply.source != "battery":
            found += _fallen(supply, idle, change, floor)
    return found


def _under_window(
    supply: Supply, idle: IdleVolts, low: NDArray[np.bool_], floor: float,
    change: Change | None,
) -> Finding:
    now = idle.ago == 0
    share = float(low[now].mean())
    level = float(np.median(idle.volts[low & now]))
    # How far the reading's own scale could be off decides how sure this is, unless the
    # rail's own past, read by the same meter, was well inside the window.
    past = float(np.median(idle.volts[~low])) if (~low).any() else float("nan")
    fell = np.isfinite(past) and past - level > _WELL_INSIDE * supply.rated_volts
    score = _chance_under(level, past, floor, supply.rated_volts)
    if fell and change is not None:
        # By whatever scale it is read, the fall itself is a fault of a rail.
        score = max(score, change.score(-_DROP * supply.rated_volts))
    begun = change_of_rate(idle.day, low)
    since, since_low, since_high = (
        begun.dates() if begun is not None and begun.log_odds > 0
        else (date.fromordinal(int(idle.day[np.argmax(low)])), None, None))
    said = [say("below-window", volts=Amount(level, "V"), least=Amount(floor, "V"),
                rated=Amount(supply.rated_volts, "V"))]
    if share <= _NEARLY_ALL_HOURS:
        said.append(say("hours-below", found=int((low & now).sum()), total=int(now.sum())))
    mostly = share >= _LOW_WEEK_SHARE and score > _LOW_WEEK_SCORE
    return finding(
        supply.id, "low-supply", "week" if mostly else "plan", score,
        since=since, since_low=since_low, since_high=since_high,
        says=[*said, say("all-slower")],
        evidence=[
            _volts_evidence(supply, idle, change, floor),
            share_evidence("hours-under-the-window", (int((low & now).sum()), int(now.sum())),
                           (int((low & ~now).sum()), int((~now).sum()))),
        ],
        not_excluded=("the-meter-s-own-scale",) if not fell else (),
        subject_kind="supply",
    )


def _chance_under(level: float, past: float, floor: float, rated: float) -> float:
    """Probability that a rail's true volts are under its floor, by what its meter reads.

    The meter's scale is off by some per cent. What it read while the rail was sound tells by how
    much, as far as sound rails are alike (two normal errors, textbook).
    """
    scale, deviation = 0.0, _DIVIDER
    if np.isfinite(past):
        share = _DIVIDER**2 / (_DIVIDER**2 + _SET_SHARE**2)
        scale = share * (past / rated - 1.0)
        deviation = _SET_SHARE * float(np.sqrt(share))
    return float(special.ndtr((scale - (level / floor - 1.0)) / deviation))


def _fallen(
    supply: Supply, idle: IdleVolts, change: Change, floor: float
) -> list[Finding]:
    drop = -change.shift / supply.rated_volts
    if drop < _DROP or change.z > _IDLE_FALL_Z or change.now.n < _FEWEST_IDLE_DAYS:
        return []
    since, low, high = change.dates()
    return [finding(
        supply.id, "low-supply", "watch", change.score(-_DROP * supply.rated_volts),
        since=since, since_low=low, since_high=high,
        says=[say("fallen-inside-window", before=Amount(change.before.level, "V"),
                  now=Amount(change.now.level, "V"))],
        evidence=[_volts_evidence(supply, idle, change, floor)],
        not_excluded=("more-held-magnets-on-this-rail-than-before",),
        subject_kind="supply",
    )]


def _volts_evidence(
    supply: Supply, idle: IdleVolts, change: Change | None, floor: float
) -> Evidence:
    """The rail's level this week (its low days, where it had some), with their scatter."""
    week = idle.volts[idle.ago == 0]
    days, medians = idle.daily()
    now = days > idle.day.max() - 7
    low = now & (medians < floor)
    if low.any():
        now &= (days >= days[low][0]) & (days <= days[low][-1])
    elif change is not None:
        since = now & (days >= change.since)
        now = since if since.any() else now
    past = medians[days < days[now][0]][-_IDLE_PAST_DAYS:]
    middle, deviation = level_of_days(
        medians[now], past, _IDLE_DAYS_SHARE * supply.rated_volts)
    half = _IDLE_HALF_WIDTH * deviation
    return Evidence(
        "idle-volts-median-of-the-hours", middle, "V", n=int(week.size),
        now_low=middle - half, now_high=middle + half,
        before=change.before.level if change else None,
    )


# Sag.


def supply_sag(history: History) -> list[Finding]:
    """Rails that sag more per ampere than they did, or below what their locks need."""
    found = []
    monday = history.week.monday.toordinal()
    sags = measured_sags(history)
    loads = rail_loads(history)
    for supply in history.venue.supplies:
        if supply.id not in loads:
            continue
        stiff = _softer(loads[supply.id], monday)
        low = _loaded_low(history, supply, sags)
        if stiff is not None and low is None and (
                regimes(history).rail_changed(supply.id, stiff.dates()[0])
                or _harmless(history, loads[supply.id], stiff, sags)):
            continue
        if stiff is not None or low is not None:
            found += _sag_finding(history, loads, supply, stiff, low)
    return found


def _softer(load: RailLoad, monday: int) -> Change | None:
    """The change of the rail's share, where it rose by enough to be told."""
    if (load.tellers >= _SAG_TELLERS).sum() < _FEWEST_SAG_DAYS:
        return None
    told = np.where(load.tellers >= _SAG_TELLERS, load.rail, np.nan)
    floor = max(_SAG_LEVEL_FLOOR, float(np.median(load.floor)))
    change = level_change(load.days, told, monday, floor=floor)
    if change is None or change.shift < _STIFF_WATCH or change.z < _STIFF_Z:
        return None
    return change


def _harmless(
    history: History, load: RailLoad, stiff: Change, sags: pl.DataFrame
) -> bool:
    """Whether the rail stepped to a sag that is deeper by less than a suspicious joint takes off.

    A supply that is a little softer than the last one does that; a note says so.
    """
    steps = regimes(history).of(load.supply.id, "stiffness")
    day = stiff.dates()[0]
    if not any(abs((item.since - day).days) <= ABOUT_DAYS for item in steps):
        return False
    names = [lock.id for lock in history.venue.locks_on(load.supply.id)]
    now = sags.filter(pl.col("lock").is_in(names) & (pl.col("weeks_ago") == 0))["sag"]
    deepest = now.quantile(_DEEP_QUANTILE)
    return deepest is not None and deepest * -np.expm1(-stiff.shift) < _SUSPICIOUS_VOLTS


@dataclass(frozen=True)
class _Low:
    now: tuple[int, int]
    before: tuple[int, int]
    deepest: float
    since: tuple[date, date | None, date | None]
    score: float


def _loaded_low(history: History, supply: Supply, sags: pl.DataFrame) -> _Low | None:
    """Pulsed locks whose loaded volts are under what locks are tested at."""
    limits = history.venue.limits
    limit = limits.supply_loaded_percent / 100
    rated = {lock.id: min(lock.rated_volts, supply.rated_volts)
             for lock in history.venue.locks_on(supply.id) if lock.pulsed}
    # A rail that is low before any load is another matter, and said as such.
    idle_floor = limits.supply_low_percent / 100 * supply.rated_volts
    rows = sags.filter(
        pl.col("lock").is_in(list(rated)) & (pl.col("loaded") + pl.col("sag") >= idle_floor)
    ).sort("command_time")
    if rows.is_empty():
        return None
    share = (rows["loaded"] / rows["lock"].replace_strict(rated, return_dtype=pl.Float64)
             ).to_numpy()
    low, now = share < limit, (rows["weeks_ago"] == 0).to_numpy()
    hits, total = int((low & now).sum()), int(now.sum())
    if hits < _FEWEST_LOADED_LOW or hits < _LOADED_LOW_SHARE * total:
        return None
    day = day_ordinals(rows["day"])
    begun = change_of_rate(day, low)
    return _Low(
        (hits, total), (int((low & ~now).sum()), int((~now).sum())),
        float(rows["loaded"].to_numpy()[now].min()),
        begun.dates() if begun is not None and begun.log_odds > _LOADED_ONSET_ODDS
        else (date.fromordinal(int(day[np.argmax(low)])), None, None),
        _chance_low(share[now], limit, begun),
    )


def _chance_low(share: Reals, limit: float, begun: Change | None) -> float:
    """Probability that too many commands are under the loaded limit, or more than before.

    Parameters
    ----------
    share : array
        Loaded volts of the week's commands, as shares of rated, by the meter.
    limit : float
        The same share that locks are tested at.
    begun : Change or None
        The change of the rate at which commands are under it.

    Notes
    -----
    That a share of them is, is the posterior of a rate (Jeffreys' prior) averaged over what the
    meter's scale may be; that the rate rose, its Bayes factor with the prior.
    """
    hits = (share[:, None] / (1.0 + _SCALES) < limit).sum(axis=0)
    over = special.betaincc(
        hits + JEFFREYS[0], share.size - hits + JEFFREYS[1], _LOADED_LOW_SHARE)
    under = float((over * _SCALE_WEIGHTS).sum() / _SCALE_WEIGHTS.sum())
    if begun is None:
        return under
    prior = float(np.log(_NEWLY_LOW_PRIOR / (1 - _NEWLY_LOW_PRIOR)))
    return max(under, probability(begun.log_odds + prior))


def _against_before(
    load: RailLoad, stiff: Change, monday: int, others: list[RailLoad]
) -> tuple[float, float]:
    """The rise of the rail's share without the rooms' season, and half its interval's width.

    Copper draws less when it is warm. The room is not in the log, and on one rail its warmth
    looks like a change of the source; what sound ``others`` of the venue did meanwhile is warmth.
    """
    days, share = _told(load)
    kelvin = ROOM_KELVIN
    warmth = [np.interp(days, *_told(other)) for other in others
              if _tells_warmth(other, days[0], monday)]
    if warmth:
        share, kelvin = share - np.median(warmth, axis=0), _ROOMS_APART_KELVIN
    return shift_since(days, share, stiff.since, monday, season=COPPER_PER_KELVIN * kelvin,
                       floor=float(np.median(load.floor)) / 8)


def _told(load: RailLoad) -> tuple[NDArray[np.int64], Reals]:
    """The days on which enough coils show the rail's share, and that share."""
    told = load.tellers >= _SAG_TELLERS
    return load.days[told], load.rail[told]


def _tells_warmth(load: RailLoad, first: int, monday: int) -> bool:
    """Whether a rail was read from about the first day on, and shows copper and nothing else."""
    days, share = _told(load)
    if not days.size or days[0] > first + _LATE_DAYS or days[-1] < monday:
        return False
    season = COPPER_PER_KELVIN * ROOM_KELVIN
    change = level_change(days, share, monday, floor=_SAG_LEVEL_FLOOR)
    moved = 0.0 if change is None else abs(change.shift)
    return moved < _MOST_SEASONS * season and robust_deviation(np.diff(share)) < season


def _sag_finding(
    history: History, loads: Mapping[str, RailLoad], supply: Supply, stiff: Change | None,
    low: _Low | None,
) -> list[Finding]:
    evidence: list[Evidence] = []
    says: list[Sentence] = []
    if stiff is not None:
        others = [other for name, other in loads.items() if name != supply.id]
        shift, half = _against_before(
            loads[supply.id], stiff, history.week.monday.toordinal(), others)
        ratio, bounds = np.exp(shift), np.exp([shift - half, shift + half])
        evidence.append(Evidence(
            "sag-per-ampere-against-before", 100 * float(ratio), "%", n=stiff.now.n,
            now_low=100 * float(bounds[0]), now_high=100 * float(bounds[1]), before=100.0))
        says.append(say("sags-more", times=Amount(float(ratio), "")))
    newly = (low is not None and low.before[1] >= _NEWLY_PAST
             and low.before[0] <= _NEWLY_SHARE * low.before[1])
    if low is not None:
        limit = history.venue.limits.supply_loaded_percent
        evidence.append(share_evidence("commands-loaded-below-what-locks-are-tested-at",
                                       low.now, low.before))
        evidence.append(Evidence("deepest-loaded-volts", low.deepest, "V", n=low.now[1]))
        says.append(say("low-under-load", limit=Amount(limit, "%"), found=low.now[0],
                        total=low.now[1], deepest=Amount(low.deepest, "V")))
    if stiff is None and not newly:
        # It has always been like this: that is a matter of the design, and not urgent.
        assert low is not None
        urgency, score = "watch", low.score
    elif stiff is None:
        assert low is not None
        urgency, score = "week", low.score
    else:
        score = stiff.score(_STIFF_WATCH)
        urgency = "plan" if stiff.shift >= _STIFF_PLAN else "watch"
        if low is not None:
            urgency, score = "week", max(score, low.score)
    dated = stiff.dates() if stiff is not None else low.since if low is not None else None
    assert dated is not None
    return [finding(
        supply.id, "supply-sag", urgency, score,
        since=dated[0], since_low=dated[1], since_high=dated[2],
        says=says, evidence=evidence,
        not_excluded=() if supply.measured_at == "branch" else ("battery-decline",)
        if supply.source == "battery" else (),
        subject_kind="supply",
    )]


_SLOW_FOR_IT = ("sticking-catch", "no-release", "loaded-catch", "short-pulse")
HELD_LESS = (*_SLOW_FOR_IT, "weakening-hold")
"""A magnet lets go by itself, whatever the volts; its hold depends on them, and how soon it lets go
on how strongly it held."""

LOW_SUPPLY = Condition(
    "low-supply", (low_supply,), ("idle-volts-median-of-the-hours", "hours-under-the-window"),
    subject_kinds=("supply",), mechanisms=(), explains_on_locks=HELD_LESS,
)
SUPPLY_SAG = Condition(
    "supply-sag", (supply_sag, lets_go),
    ("sag-per-ampere-against-before", "commands-loaded-below-what-locks-are-tested-at",
     "deepest-loaded-volts", "median-change-of-their-latency",
     "times-magnets-let-go"),
    # A joint that has gone bad loses volts to the held magnets too.
    subject_kinds=("supply",), mechanisms=(), explains=("low-supply",),
    explains_on_locks=_SLOW_FOR_IT, takes_urgency_of=("low-supply",),
)
