"""How often the stated intervals of remaining life held the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from remanence.analytics.parts.wear import remaining_life
from tests.forecasts.worlds import World, play


@dataclass(frozen=True)
class Judged:
    """Forecasts of one world, one a lock, so that none leans on another.

    ``place`` is, for each lock that was given a date, the stated chance that it would have
    arrived before it did: between 0 and 1, every value as likely where forecasts keep their word.
    """

    world: str
    locks: int
    place: np.ndarray

    def held(self, coverage: float) -> float:
        """Share of the forecasts whose interval of this coverage held the truth."""
        tail = (1 - coverage) / 2
        return float(np.mean((self.place >= tail) & (self.place <= 1 - tail)))

    def chance(self, coverage: float) -> float:
        """Standard error of that share, by chance alone."""
        return float(np.sqrt(coverage * (1 - coverage) / max(self.place.size, 1)))


def judge(world: World, locks: int, seed: int) -> Judged:
    """Forecast so many locks and hold each that is given a date against what it did."""
    past, left = play(world, locks, seed)
    place = [
        float(np.mean(wear.weeks < truth) + np.mean(wear.weeks == truth) / 2)
        for wear, truth in zip(remaining_life(past), left, strict=True)
        if wear.sign == "wearing"
    ]
    return Judged(world.name, locks, np.array(place))


def table(judged: list[Judged]) -> str:
    """The figures as a Markdown table, all worlds together in its last row."""
    every = Judged("all together", sum(j.locks for j in judged),
                   np.concatenate([j.place for j in judged]))
    lines = ["| locks | forecasts | 50 % held | 90 % held | earlier than the 90 % | later |",
             "| --- | --- | --- | --- | --- | --- |"]
    for j in [*judged, every]:
        if not j.place.size:
            lines.append(f"| {j.world} | 0 of {j.locks} | – | – | – | – |")
            continue
        lines.append(
            f"| {j.world} | {j.place.size:,} of {j.locks:,} "
            f"| {100 * j.held(0.5):.1f} ± {100 * j.chance(0.5):.1f} "
            f"| {100 * j.held(0.9):.1f} ± {100 * j.chance(0.9):.1f} "
            f"| {100 * np.mean(j.place < 0.05):.1f} | {100 * np.mean(j.place > 0.95):.1f} |")
    return "\n".join(lines)
