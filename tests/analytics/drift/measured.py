"""Figures of docs/campaign.md that take too long for a test: ``python -m`` with a word and seeds.

``steps 401 501``: how many steps of the smallest size said to be found are raised within two weeks.
``rare first 1 25``: catches that stick at times, raised within four weeks: at the ``first``
operation of the day, one time in ``twelfth``, or one in six of ``seldom`` used locks.
``slopes 300 312``: slopes and onsets that are claimed of sound locks which only remember.
``since 801 841``: steps and rises of a latch and a magnet, a closed week or two among them: whether
the interval of the day holds it when the change is first raised.
"""

import sys
from datetime import timedelta

import numpy as np
import polars as pl

from remanence.analytics.conditions.diagnosis import diagnose, raised
from remanence.analytics.conditions.drift_weekly import slope_with_memory
from remanence.analytics.conditions.latency import slow_drop, sticking_catch
from remanence.analytics.drift.change_model import daily_covariance
from remanence.analytics.drift.judge import drifts
from tests.analytics.drift.test_smallest_change import played
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock

LATCHES = [lock(f"latch-{n}") for n in range(6)]
MAGNETS = [lock(f"magnet-{n}", kind="magnet") for n in range(10)]
STICKS = "latch-2"
BEGUN, WEEKS = 12, 16
"""The week in which it begins to stick, and those of the log."""
PER_WEEK = {"first": 40.0, "twelfth": 40.0, "seldom": 18.0}
SURE = float(np.log(19))


def sticking_rows(kind, seed):
    """Releases of six latches of which one sticks at times, from the week :data:`BEGUN` on."""
    rng = np.random.default_rng([seed, 77])
    rows = actuations(LATCHES, weeks=WEEKS, seed=seed, per_week=PER_WEEK[kind],
                      noise=float(rng.uniform(0.04, 0.1)), lean=float(rng.uniform(0.01, 0.05)))
    day = (rows["command_time"].dt.date() - FIRST_MONDAY).dt.total_days()
    rows = rows.with_columns(first=pl.col("command_time").rank("ordinal").over(
        "lock", day.alias("day")) == 1)
    late = (day >= 7 * BEGUN).to_numpy() & (rows["lock"] == STICKS).to_numpy()
    chance = {"first": np.where(rows["first"].to_numpy(), 0.9, 0.0), "twelfth": 1 / 12,
              "seldom": 1 / 6}[kind]
    hit = late & (rng.random(rows.height) < chance)
    longer = np.where(hit, rng.uniform(1.6, 3.0, rows.height), 1.0)
    return rows.with_columns(latency_ms=pl.col("latency_ms") * longer).drop("first")


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


if __name__ == "__main__":
    main(*sys.argv[1:])
