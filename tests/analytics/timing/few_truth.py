"""``python -m tests.analytics.timing.few_truth``: what is stated of locks with few releases.

Each venue has five latches of one model, four of them with 240 commands; the fifth, which is
judged, has few. What it really does is drawn by :mod:`tests.analytics.timing.timing_venue`.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np

from remanence.analytics.timing.answer import expected_share, stated_share
from remanence.analytics.timing.gather import timing
from remanence.analytics.timing.scale import safe_scale
from tests.analytics.timing.timing_venue import Truth, commands, history_of, latch, venue_of

FEW = (0, 12, 20, 30, 50, 70, 95)
"""Commands of the lock that is judged."""


@dataclass(frozen=True)
class FewWorld:
    """``own`` and ``others``: share of slow releases of the judged lock, and of those beside it."""

    name: str
    own: float = 0.0
    others: float = 0.0
    scatter: tuple[float, float] = (0.05, 0.2)
    between: float = 0.2


FEW_WORLDS = (
    FewWorld("sound among sound"),
    FewWorld("3 % slow among sound", own=0.03),
    FewWorld("10 % slow among sound", own=0.10),
    FewWorld("all with 2 % slow", own=0.02, others=0.02),
    FewWorld("sound among 3 % slow", others=0.03),
    FewWorld("wide scatter", scatter=(0.2, 0.6)),
)


@dataclass(frozen=True)
class Few:
    """What was stated of one lock, and the truth. Cues: shares inside, and their lower bounds."""

    commands: int
    pulse_ms: float
    stated: float | None
    expected: float
    true: float
    cues: tuple[tuple[float, float, float, bool], ...]


def needs(truth: Truth, volts: float, seed: int, size: int = 50_000) -> np.ndarray:
    """What openings need, each on a day of its own."""
    rng = np.random.default_rng(seed)
    alone = Truth(**{**vars(truth), "wander": 0.0})
    need = alone.draw(rng, np.full(size, volts), np.zeros(size, dtype=int))
    return need * np.exp(truth.wander * rng.standard_normal(size))


def few(world: FewWorld, seed: int, count: int) -> Few | None:
    """One venue, whose first lock has so many commands; None where no pulse is recommended."""
    rng = np.random.default_rng([seed, count, *world.name.encode()])
    base, scatter = rng.uniform(20, 60), rng.uniform(*world.scatter)
    wide = scatter > 0.2
    frames, truths = [], []
    for number in range(5):
        truth = Truth(
            median_ms=(400 if wide else base) * np.exp(world.between * rng.standard_normal()),
            scatter=scatter * np.exp(0.15 * rng.standard_normal()),
            silent=1e-3 * rng.gamma(2, 0.5), slow_factor=rng.uniform(1.8, 2.6),
            slow_share=world.own if number == 0 else world.others,
            shape=("log-normal", "gamma", "weibull")[seed % 3])
        truths.append(truth)
        days = max(count // 6, 2) if number == 0 else 40
        a_day = (count // days if number == 0 else 6)
        if a_day:
            frames.append(commands(f"d{number}", truth, rng, days=days, a_day=a_day,
                                   pulse_ms=20 * truth.median_ms, volts=(11.9, 12.1)))
    venue = venue_of(*(latch(f"d{i}", i, max_on_ms=60_000.0, duty_percent=None)
                       for i in range(5)))
    result = timing(history_of(venue, *frames))
    answer = result.answers[0]
    pulse = answer.pulse
    if pulse.recommended_ms is None or pulse.shortest_ms is None:
        return None
    low = result.rails["rail-a"].low_volts
    need = needs(truths[0], low, seed)
    # The shortest pulse is what is worked out; what is recommended has a margin besides.
    model = result.models[0]
    scale = safe_scale(model, low)
    stated = stated_share(model, pulse.shortest_ms, scale)
    expected = expected_share(model, pulse.shortest_ms, scale)
    true = float((need <= pulse.shortest_ms).mean()) * (1 - truths[0].silent)
    typical = needs(truths[0], answer.cue_volts, seed + 1)
    cues = []
    for cue, before, after in ((answer.sound, 125.0, 45.0), (answer.light, 45.0, 125.0)):
        if cue.offset_ms is not None:
            held = float(((typical >= cue.offset_ms - before)
                          & (typical <= cue.offset_ms + after)).mean())
            cues.append((cue.share, cue.share_low, held, cue.feedback))
    return Few(count, pulse.shortest_ms, stated, expected, true, tuple(cues))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--venues", type=int, default=6, help="venues a world and count")
    parser.add_argument("--seed", type=int, default=1000)
    given = parser.parse_args()
    print("| lock | statements | bound held | bound, mean | expected, mean | truth, mean "
          "| cues | stated inside | truth | lower bound held |\n" + "| --- " * 10 + "|")
    for world in FEW_WORLDS:
        rows = [item for count in FEW for seed in range(given.seed, given.seed + given.venues)
                if (item := few(world, seed, count)) is not None]
        cues = [cue for item in rows for cue in item.cues]
        print(f"| {world.name} | {len(rows)} "
              f"| {100 * np.mean([r.true >= (r.stated or 0.0) for r in rows]):.0f} % "
              f"| {100 * np.mean([r.stated or 0.0 for r in rows]):.2f} "
              f"| {100 * np.mean([r.expected for r in rows]):.2f} "
              f"| {100 * np.mean([r.true for r in rows]):.2f} "
              f"| {len(cues)} | {100 * np.mean([c[0] for c in cues]):.1f} "
              f"| {100 * np.mean([c[2] for c in cues]):.1f} "
              f"| {100 * np.mean([c[2] >= c[1] for c in cues]):.0f} % |", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
