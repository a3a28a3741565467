"""What a lock with few releases may borrow: the locks of its part, and how far they speak for it.

A lock's own median is drawn towards those of its part as far as the locks of that part agree
(random effects); the scatter about the median is theirs. How far the borrowed place may be off
goes into every bound.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from remanence.analytics.history import family, rated_alike
from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.statistics.intervals import MEDIAN_ERROR
from remanence.analytics.timing.sample import Sample
from remanence.analytics.timing.tail import LEAST, design_effect
from remanence.analytics.timing.volts import NONE, Exponent
from remanence.shared.venue import Lock

BETWEEN_MEDIANS = 0.2
"""Standard deviation of log medians between locks of a part, counted as two degrees of
freedom beside what the venue's own locks show; common practice, no source."""

PRIOR_FREEDOM = 2
"""Degrees of freedom that :data:`BETWEEN_MEDIANS` counts for."""

LEAST_ERROR = 1e-3
"""No median is known better than to a thousandth: clocks and polling hide the rest."""


@dataclass(frozen=True)
class Pool:
    """Times at reference volts with a common, uncertain factor: own, or lent by siblings."""

    need: Reals
    need_known: Flags
    late: Reals
    day: Ints
    late_day: Ints
    step: float
    deviation: float = 0.0
    centre: float = 0.0
    apart: tuple[Reals, ...] = ()
    """Where the lock's own middle is taken to lie (log), and each lender's needs about its own."""


def same_part(lock: Lock, others: Sequence[Lock]) -> tuple[Lock, ...]:
    """Locks that may lend: of the same part, or, where none is named, of the same make.

    A part released another way here than there, or with another coil, is another thing. The kinds
    of feedback are looked at later: a lock without feedback may borrow from one that has it.
    """
    def alike(other: Lock) -> bool:
        if lock.is_magnet and other.suppression != lock.suppression:
            return False  # A diode alone makes the same magnet several times slower.
        if not rated_alike(lock, other):
            return False
        if (other.rated_volts, other.released_by) != (lock.rated_volts, lock.released_by):
            return False
        if lock.part is None or other.part is None:
            return lock.part == other.part and family(other) == family(lock)
        return lock.part == other.part and lock.mechanism == other.mechanism

    return tuple(other for other in others if other.id != lock.id and alike(other))


def useful_lenders(sample: Sample, lenders: Sequence[Sample]) -> list[Sample]:
    """Lenders with enough releases, of the lock's own kind of feedback; kinds are never pooled.

    A lock whose own feedback says nothing of the lock alone (none, or a door's) borrows from
    the kind that has the most releases.
    """
    able = [s for s in lenders if s.kind not in (None, "door") and s.releases >= LEAST]
    wanted = sample.kind
    if wanted in (None, "door"):
        totals: dict[str, int] = {}
        for s in able:
            totals[str(s.kind)] = totals.get(str(s.kind), 0) + s.releases
        wanted = max(totals, key=lambda kind: (totals[kind], kind), default=None)
    return [s for s in able if s.kind == wanted]


def at_reference(times: Reals, volts: Reals, reference: float | None, exponent: float) -> Reals:
    """Times brought to ``reference`` volts; those without a reading stay as they are."""
    if reference is None or exponent == 0.0:
        return times
    ratio = np.where(np.isfinite(volts) & (volts > 0), volts / reference, 1.0)
    result: Reals = times * ratio ** (-exponent)
    return result


def own_pool(sample: Sample, reference: float | None, exponent: float) -> Pool:
    """The lock's own times: needs of first attempts, latencies of all releases."""
    need = at_reference(sample.need_ms, sample.volts, reference, exponent)
    late = at_reference(sample.latency_ms, sample.volts, reference, exponent)
    first, out = sample.first & sample.released, sample.released
    return Pool(need[first], np.ones(int(first.sum()), dtype=bool), late[out], sample.day[first],
                 sample.day[out], sample.resolution_ms or 0.0)


def lent_pool(
    sample: Sample, lenders: Sequence[Sample], reference: float | None,
    exponents: Mapping[str, Exponent],
) -> Pool:
    """The lenders' scatter about their medians, at this lock's own median as far as it is known."""
    centres, errors = [], []
    needs, lates, days, late_days = [], [], [], []
    # Days of different locks are different clusters (apart by a multiple of 7, for the weeks).
    seen = [(s.day.min(), s.day.max()) for s in lenders if s.day.size]
    apart = 7 * int(max((last for _, last in seen), default=0) // 7
                    - min((first for first, _ in seen), default=0) // 7 + 1)
    for number, other in enumerate(lenders):
        power = exponents.get(other.lock.id, NONE).middle if reference is not None else 0.0
        part = own_pool(other, reference, power)
        centre, error = _centre(part.late, part.late_day)
        centres.append(centre)
        errors.append(error)
        needs.append(np.log(part.need) - centre)
        lates.append(np.log(part.late) - centre)
        days.append(part.day + apart * number)
        late_days.append(part.late_day + apart * number)
    middle, variance, between = random_effects(np.array(centres), np.array(errors))
    mean, spread = middle, variance + between
    power = exponents.get(sample.lock.id, NONE).middle if reference is not None else 0.0
    own = own_pool(sample, reference, power)
    if own.late.size and sample.kind != "door":
        late, late_day = np.concatenate(lates), np.concatenate(late_days)
        scatter = float(np.std(late))
        centre = float(np.median(np.log(own.late)))
        # A few releases on two or three days share those days' moods: by how much, the
        # lenders show (Kish's effect, from their correlation within a day).
        a_day = late.size / np.unique(late_day).size
        alike = (design_effect(late > 0, late_day) - 1) / max(a_day - 1, 1.0)
        own_a_day = own.late.size / np.unique(own.late_day).size
        effect = 1 + (own_a_day - 1) * min(alike, 1.0)
        error = max(MEDIAN_ERROR * scatter * np.sqrt(effect / own.late.size), LEAST_ERROR) ** 2
        weight = spread / (spread + error)
        mean, spread = mean + weight * (centre - mean), spread * (1 - weight)
    need = np.concatenate(needs)
    step = max((s.resolution_ms or 0.0) for s in lenders)
    return Pool(np.exp(need + mean), np.ones(need.size, dtype=bool),
                 np.exp(np.concatenate(lates) + mean), np.concatenate(days),
                 np.concatenate(late_days), step, float(np.sqrt(spread)), float(mean),
                 tuple(needs))


def random_effects(centres: Reals, errors: Reals) -> tuple[float, float, float]:
    """Common mean, its variance, and the variance between, of estimates with known errors.

    DerSimonian and Laird's moments (Controlled Clinical Trials 7 (1986), 177-188), the
    variance between drawn towards :data:`BETWEEN_MEDIANS` by two degrees of freedom.
    """
    count = centres.size
    weight = 1 / errors**2
    fixed = float((weight * centres).sum() / weight.sum())
    between = 0.0
    if count > 1:
        between = max(0.0, dersimonian_laird(centres, errors))
    shrunk = ((count - 1) * between + PRIOR_FREEDOM * BETWEEN_MEDIANS**2) / (
        count - 1 + PRIOR_FREEDOM)
    weight = 1 / (errors**2 + shrunk)
    fixed = float((weight * centres).sum() / weight.sum())
    return fixed, float(1 / weight.sum()), float(shrunk)


def dersimonian_laird(values: Reals, errors: Reals) -> float:
    """Variance between, by the moment estimator; 0 where the scatter needs none."""
    weight = 1 / errors**2
    mean = (weight * values).sum() / weight.sum()
    excess = (weight * (values - mean) ** 2).sum() - (values.size - 1)
    return max(0.0, float(excess / (weight.sum() - (weight**2).sum() / weight.sum())))


def _centre(times: Reals, days: Ints) -> tuple[float, float]:
    log = np.log(times)
    middle = float(np.median(log))
    effect = design_effect(log > middle, days)
    return middle, max(MEDIAN_ERROR * float(np.std(log)) * np.sqrt(effect / log.size), LEAST_ERROR)
