"""Figures of docs/campaign.md that take too long for a test: ``python -m`` with a word and seeds.

``steps 401 501``: how many steps of the smallest size said to be found are raised within two weeks.
``rare first 1 25``: catches that stick at times, raised within four weeks: at the ``first``
operation of the day, one time in ``twelfth``, or one in six of ``seldom`` used locks.
``bound 1 200``: how many of the ``twelfth`` an observer finds who knows all but the day: of counts
alone, and of times to release.
``slopes 300 312``: slopes and onsets that are claimed of sound locks which only remember.
``since 801 841``: steps and rises of a latch and a magnet, a closed week or two among them: whether
the interval of the day holds it when the change is first raised.
"""

import sys
from datetime import timedelta

import numpy as np
import polars as pl
from scipy import stats

from remanence.analytics.conditions.diagnosis import diagnose, raised
from remanence.analytics.conditions.drift_weekly import slope_with_memory
from remanence.analytics.conditions.latency import slow_drop, sticking_catch
from remanence.analytics.drift.change_model import daily_covariance
from remanence.analytics.drift.judge import drifts
from remanence.analytics.drift.slow_mode import SLOW_DEVIATIONS, SLOW_FACTOR, SLOW_MODE_PRIOR
from tests.analytics.drift.test_smallest_change import played
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock

LATCHES = [lock(f"latch-{n}") for n in range(6)]
MAGNETS = [lock(f"magnet-{n}", kind="magnet") for n in range(10)]
STICKS = "latch-2"
BEGUN, WEEKS = 12, 16
"""The week in which it begins to stick, and those of the log."""
PER_WEEK = {"first": 40.0, "twelfth": 40.0, "seldom": 18.0}
OPEN = 6 / 7
"""Share of the days on which the rooms are played: a week has that share of ``per_week``."""
LEAN = 0.3, 1.0
"""How much longer a release takes that is leant upon (natural log)."""
STICK = 1.6, 3.0
"""How many times as long one takes that sticks."""
SURE = float(np.log(19))


def sticking_rows(kind, seed):
    """Releases of six latches of which one sticks at times, from the week :data:`BEGUN` on."""
    rng = np.random.default_rng([seed, 77])
    noise, lean = _drawn(rng)
    rows = actuations(LATCHES, weeks=WEEKS, seed=seed, per_week=PER_WEEK[kind] / OPEN,
                      noise=noise, lean=lean)
    day = (rows["command_time"].dt.date() - FIRST_MONDAY).dt.total_days()
    rows = rows.with_columns(first=pl.col("command_time").rank("ordinal").over(
        "lock", day.alias("day")) == 1)
    late = (day >= 7 * BEGUN).to_numpy() & (rows["lock"] == STICKS).to_numpy()
    chance = {"first": np.where(rows["first"].to_numpy(), 0.9, 0.0), "twelfth": 1 / 12,
              "seldom": 1 / 6}[kind]
    hit = late & (rng.random(rows.height) < chance)
    longer = np.where(hit, rng.uniform(*STICK, rows.height), 1.0)
    return rows.with_columns(latency_ms=pl.col("latency_ms") * longer).drop("first")


def _drawn(rng):
    """Scatter of single releases, and the share that is leant upon."""
    return float(rng.uniform(0.04, 0.1)), float(rng.uniform(0.01, 0.05))


def known_all_but_the_day(seed):
    """Whether who knows every rate and shape finds it: by counts, and by times to release.

    Neither more nor less than the rules that the program has: a fault begins with the same chance
    in each week, and is raised in four weeks at nine to one. Nobody does better by these columns.
    """
    rng = np.random.default_rng([seed, 77])
    noise, lean = _drawn(rng)
    week = np.repeat(np.arange(WEEKS), rng.poisson(PER_WEEK["twelfth"], WEEKS))
    leant, stuck = (rng.random((week.size, 2)) < (lean, 1 / 12)).T
    stuck &= week >= BEGUN
    value = rng.normal(0, noise, week.size) + np.where(
        leant, rng.uniform(*LEAN, week.size), 0) + np.where(
        stuck, np.log(rng.uniform(*STICK, week.size)), 0)
    low, high = np.log(STICK)
    leant_upon = (stats.norm.cdf(value - LEAN[0], scale=noise)
                  - stats.norm.cdf(value - LEAN[1], scale=noise)) / (LEAN[1] - LEAN[0])
    middle = value - noise**2
    sticking = np.exp(value + noise**2 / 2) * (
        stats.norm.cdf(high - middle, scale=noise)
        - stats.norm.cdf(low - middle, scale=noise)) / (STICK[1] - STICK[0])
    sound = np.maximum((1 - lean) * stats.norm.pdf(value, scale=noise) + lean * leant_upon,
                       1e-300)
    by_time = np.log(11 / 12 + (1 - lean) / 12 * sticking / sound)
    least = max(np.log(SLOW_FACTOR), SLOW_DEVIATIONS * noise)
    usual = lean * float(np.clip((LEAN[1] - least) / (LEAN[1] - LEAN[0]), 0, 1))
    stuck_too = float(np.clip((STICK[1] - np.exp(least)) / (STICK[1] - STICK[0]), 0, 1)) / 12
    then = usual + (1 - usual) * stuck_too
    by_count = np.where(value > least, np.log(then / usual), np.log((1 - then) / (1 - usual)))
    found = []
    for column in (by_count, by_time):
        odds, most = 0.0, 0.0
        for number, said in enumerate(np.bincount(week, column, WEEKS)):
            odds = (odds + SLOW_MODE_PRIOR) * np.exp(min(said, 100.0))
            most = max(most, odds if number >= BEGUN else 0.0)
        found.append(most >= 9.0)
    return found


def named_after(kind, seed):
    """Weeks after which it is raised that the catch sticks, or may; None, and what is said, if not.

    A lock that people lean on looks the same but for when and how long: what is said to be that
    and does not exclude a catch that sticks asks for the same look at the bench.
    """
    rows, said = sticking_rows(kind, seed), []
    for week in range(BEGUN, WEEKS):
        for item in diagnose(history_at(LATCHES, rows, week)):
            if item.subject != STICKS:
                continue
            said.append((week, item.condition, item.urgency, round(item.score, 2),
                         item.not_excluded))
            if item.urgency != "watch" and "sticking-catch" in (
                    item.condition, *item.not_excluded):
                return week - BEGUN, said
    return None, said


def slopes(seed, deviation, weekly_memory):
    """Of ten sound magnets: false slopes over 24 weeks, over ten, and false onsets."""
    memory_days = -7.0 / np.log(weekly_memory)
    rows = actuations(MAGNETS, weeks=24, seed=seed, day_wander=deviation, memory=memory_days)
    out = []
    for drift in drifts(history_at(MAGNETS, rows, 23)).current.values():
        days, wander = drift.days, drift.wander
        number = np.floor_divide(days.day, 7)
        weeks = np.unique(number)
        mean = np.where(weeks[:, None] == number[None, :], days.releases, 0.0)
        mean /= mean.sum(axis=1, keepdims=True)
        covariance = mean @ daily_covariance(
            days.day, days.noise, wander.daily, wander.memory_days, wander.slow,
            wander.slow_memory_days) @ mean.T
        level = mean @ drift.residual
        false = []
        for count in (24, 10):
            _, low, high = slope_with_memory(
                weeks[-count:], level[-count:], covariance[-count:, -count:])
            false.append(low > 0 or high < 0)
        out.append((*false, drift.fit is not None and drift.stands
                    and drift.fit.log_odds > SURE))
    return out


SINCE_LOCKS = [*(lock(f"latch-{n}") for n in range(6)),
               *(lock(f"magnet-{n}", kind="magnet") for n in range(5))]


def dated(seed):
    """Of two episodes: whether the interval of ``since`` holds the day, at their first naming."""
    rng = np.random.default_rng([seed, 0x51])
    begun = {name: int(rng.integers(70, 112)) for name in (f"latch-{seed % 6}",
                                                           f"magnet-{seed % 5}")}
    courses = {}
    for name, first in begun.items():
        size, days = float(rng.uniform(0.12, 0.5)), float(rng.choice([0, 0, 30, 60]))
        courses[name] = (lambda day, first=first, size=size, days=days: np.log1p(size) * (
            (day >= first) if days == 0 else np.clip((day - first) / days, 0, 2)))
    rows = actuations(SINCE_LOCKS, weeks=22, seed=seed, faults=courses,
                      day_wander=float(rng.choice([0.01, 0.015, 0.025])),
                      memory=float(rng.choice([2, 3, 10])),
                      per_week=float(rng.choice([25, 40, 80])))
    if rng.random() < 0.5:
        day = (rows["command_time"].dt.date() - FIRST_MONDAY).dt.total_days()
        shut = 7 * int(rng.integers(10, 17))
        rows = rows.filter(~day.is_between(shut, shut + int(rng.choice([7, 14])) - 1))
    out = {}
    for week in range(10, 22):
        history = history_at(SINCE_LOCKS, rows, week)
        for item in (*sticking_catch(history), *slow_drop(history)):
            if item.subject not in begun or item.subject in out:
                continue
            if raised(item, history.venue.limits).urgency == "watch" or item.since_low is None:
                continue
            true = FIRST_MONDAY + timedelta(days=begun[item.subject])
            out[item.subject] = item.since_low <= true <= item.since_high
        if len(out) == len(begun):
            break
    return list(out.values())


def main(what, *given):
    """Print a line for each seed, and the sum of all so far."""
    kind = given[0] if what == "rare" else ""
    first, last = (int(word) for word in given[-2:])
    told = []
    for seed in range(first, last):
        if what == "steps":
            told += played(seed)
            print(seed, f"{sum(told)} of {len(told)}", flush=True)
        elif what == "since":
            told += dated(seed)
            print(seed, f"{sum(told)} of {len(told)}", flush=True)
        elif what == "bound":
            told.append(known_all_but_the_day(seed))
        elif what == "rare":
            after, said = named_after(kind, seed)
            told.append(after is not None)
            print(seed, f"{sum(told)} of {len(told)}", after, said, flush=True)
        else:
            for deviation in (0.015, 0.03):
                for memory in (0.5, 0.8):
                    told += [(deviation, memory, *one)
                             for one in slopes(seed, deviation, memory)]
            for key in sorted({one[:2] for one in told}):
                mine = np.array([one[2:] for one in told if one[:2] == key])
                print(seed, key, len(mine), mine.mean(axis=0).round(3).tolist(), flush=True)
    if what == "bound":
        print(dict(zip(("counts", "times"), np.mean(told, axis=0).round(3).tolist(), strict=True)))


if __name__ == "__main__":
    main(*sys.argv[1:])
