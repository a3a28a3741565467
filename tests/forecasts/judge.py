"""How often the stated intervals of remaining life held the truth, and how near forecasts came.

Near is told by the continuous ranked probability score (CRPS; Gneiting and Raftery, "Strictly
proper scoring rules, prediction, and estimation", J. Am. Stat. Assoc. 102 (2007) 359, sec. 4.2):
the mean distance of the draws from the truth less half of their mean distance from one another, in
weeks. For a single date it is the error. All weeks are cut at two years, beyond which no order
looks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from remanence.analytics.parts.wear import LockWear, remaining_life
from remanence.analytics.parts.wear_path import margin_used
from remanence.analytics.parts.weekly_level import weekly_levels
from tests.forecasts.worlds import World, play

FARTHEST = 104.0
"""Weeks at which forecasts and truths are cut for the score."""
QUARTER = 13
"""Weeks in which locks without a sign of wear are watched."""
LINE_WEEKS = 12
"""A rival draws its line through so many weeks, the last ones."""
RIVALS = ("straight line", "line through the margin", "lives of the others")


def crps(draws: np.ndarray, truth: float) -> float:
    """Score of draws against what came, in weeks; lower is better."""
    weeks = np.sort(np.minimum(draws, FARTHEST))
    n = weeks.size
    apart = 2 * np.sum((2 * np.arange(1, n + 1) - n - 1) * weeks) / n**2
    return float(np.mean(np.abs(weeks - min(truth, FARTHEST))) - apart / 2)


def line_meets(weeks: np.ndarray, level: np.ndarray, limit: float) -> float:
    """Weeks from now (0) at which a least-squares line meets the limit."""
    slope, now = np.polyfit(weeks[-LINE_WEEKS:], level[-LINE_WEEKS:], 1)
    return float(np.clip((limit - now) / slope, 0.0, FARTHEST)) if slope > 0 else FARTHEST


def rivals(wear: LockWear, rows, lives: np.ndarray, age: float, truth: float,
           magnet: bool) -> list[float]:
    """Scores of what a person may do with a ruler, or with the lives of all other such locks."""
    weekly = weekly_levels(rows)
    weeks, latency = -weekly["weeks_ago"].to_numpy() - 0.5, weekly["latency_ms"].to_numpy()
    ratio, end = latency / wear.healthy_ms, wear.limit_ms / wear.healthy_ms
    bent = np.log if magnet else margin_used
    left = lives[lives > age] - age
    return [
        crps(np.array([line_meets(weeks, ratio, end)]), truth),
        crps(np.array([line_meets(weeks, bent(ratio), float(bent(end)))]), truth),
        crps(left if left.size else np.array([0.0]), truth),
    ]


@dataclass(frozen=True)
class Judged:
    """Forecasts of one world, one a lock, so that none leans on another.

    ``place`` is, for each lock that was given a date, the stated chance that it would have
    arrived before it did: between 0 and 1, every value as likely where forecasts keep their word.
    ``score`` is the forecast's CRPS, ``rivals`` those of :data:`RIVALS`, a row a lock.
    ``unsigned`` locks showed no sign of wear, and ``unsigned_failed`` of these met their limit
    within :data:`QUARTER` weeks all the same.
    """

    world: str
    locks: int
    place: np.ndarray
    score: np.ndarray
    rivals: np.ndarray
    unsigned: int
    unsigned_failed: int

    def held(self, coverage: float) -> float:
        """Share of the forecasts whose interval of this coverage held the truth."""
        tail = (1 - coverage) / 2
        return float(np.mean((self.place >= tail) & (self.place <= 1 - tail)))

    def chance(self, coverage: float) -> float:
        """Standard error of that share, by chance alone."""
        return float(np.sqrt(coverage * (1 - coverage) / max(self.place.size, 1)))


def judge(world: World, locks: int, seed: int) -> Judged:
    """Forecast so many locks and hold each that is given a date against what it did."""
    past, left, age = play(world, locks, seed)
    frames = past.dated("actuations").partition_by("lock", as_dict=True)
    lives = np.array(left) + np.array(age)
    place, score, others, unsigned = [], [], [], []
    for i, wear in enumerate(remaining_life(past)):
        truth = left[i]
        if wear.sign == "no sign of wear":
            unsigned.append(truth <= QUARTER)
        if wear.sign != "wearing":
            continue
        place.append(float(np.mean(wear.weeks < truth) + np.mean(wear.weeks == truth) / 2))
        score.append(crps(wear.weeks, truth))
        others.append(rivals(wear, frames[(wear.lock,)], np.delete(lives, i), age[i], truth,
                             world.magnet))
    return Judged(world.name, locks, np.array(place), np.array(score),
                  np.array(others).reshape(-1, len(RIVALS)), len(unsigned), sum(unsigned))


def together(name: str, judged: list[Judged]) -> Judged:
    """Several venues, or worlds, as one."""
    return Judged(name, sum(j.locks for j in judged),
                  *(np.concatenate([getattr(j, field) for j in judged])
                    for field in ("place", "score", "rivals")),
                  sum(j.unsigned for j in judged), sum(j.unsigned_failed for j in judged))


def table(judged: list[Judged]) -> str:
    """The figures as a Markdown table, all worlds together in its last row."""
    every = together("all together", judged)
    lines = ["| locks | forecasts | 50 % held | 90 % held | earlier than the 90 % | later "
             f"| CRPS, weeks | {' | '.join(RIVALS)} | no sign of wear "
             f"| failed within {QUARTER} weeks |",
             "| --- " * 12 + "|"]
    for j in [*judged, every]:
        if not j.place.size:
            lines.append(f"| {j.world} | 0 of {j.locks} {'| – ' * 8}| {j.unsigned} "
                         f"| {j.unsigned_failed} |")
            continue
        lines.append(
            f"| {j.world} | {j.place.size:,} of {j.locks:,} "
            f"| {100 * j.held(0.5):.1f} ± {100 * j.chance(0.5):.1f} "
            f"| {100 * j.held(0.9):.1f} ± {100 * j.chance(0.9):.1f} "
            f"| {100 * np.mean(j.place < 0.05):.1f} | {100 * np.mean(j.place > 0.95):.1f} "
            f"| {j.score.mean():.1f} ± {j.score.std() / np.sqrt(j.place.size):.1f} "
            f"| {' | '.join(f'{x:.1f}' for x in j.rivals.mean(axis=0))} "
            f"| {j.unsigned:,} | {j.unsigned_failed:,} |")
    return "\n".join(lines)
