"""From actuations to each lock's timing: its distribution, what it needs, how often it is silent.

A lock with enough releases of its own stands on them. One with fewer stands on its own median
drawn towards those of the locks of its part (:mod:`remanence.analytics.timing.borrow`), and says
so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy import special

from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.statistics.survival import product_limit
from remanence.analytics.timing.borrow import (
    Pool,
    at_reference,
    lent_pool,
    own_pool,
    useful_lenders,
)
from remanence.analytics.timing.misses import MissRate, miss_rate
from remanence.analytics.timing.model import (
    CURVE,
    FOLD_POINTS,
    FOLDS,
    POINTS,
    RISKS,
    TARGETS,
    TIMING_QUANTILES,
    LockModel,
    PulseGroup,
    Quantile,
    SeenPoint,
    TimingRail,
    key,
)
from remanence.analytics.timing.recent import FEWEST_RECENT
from remanence.analytics.timing.sample import Sample
from remanence.analytics.timing.slow import least_shares, slow_mode
from remanence.analytics.timing.tail import (
    LEAST,
    UpperTail,
    design_effect,
    quantile_points,
)
from remanence.analytics.timing.volts import NONE, Exponent
from remanence.shared.limits import Limits

NEED_CONFIDENCE = 0.975
MISS_CONFIDENCE = 0.985
"""With the exponent's own 1 % they leave the 5 % that a one-sided 95 % statement may be wrong
by (Bonferroni's inequality)."""


CENSORING_ROUNDS = 20
"""Rounds in which silent short commands join the bound: each joins at most once, so few are ever
needed."""

TOO_SILENT = 0.05
"""Chance under which silent commands are put down to the lock, not to luck."""

FEWEST_FOR_CURVE = 3
"""Releases below which no quantile and no curve is drawn."""

PULSE_STEP = 0.03
"""Pulses further apart than this (log scale) are of two lengths: programs and pollers hold a pulse
to a few per cent."""

MOST_SEEN_POINTS, MOST_PULSE_GROUPS = 40, 12
"""What a figure and a line of text have room for."""


def fit_lock(
    sample: Sample, lenders: Sequence[Sample], family_samples: Sequence[Sample],
    exponents: Mapping[str, Exponent], rail: TimingRail | None, limits: Limits,
) -> LockModel:
    """One lock's timing from its sample and those of the locks of its part.

    Parameters
    ----------
    sample : Sample
        The lock's own.
    lenders : sequence of Sample
        Locks of the same part (:func:`same_part`).
    family_samples : sequence of Sample
        All locks; those released the same way lend what is known of silent commands.
    exponents : mapping of str to Exponent
        Power of volts, by lock.
    rail : remanence.analytics.timing.model.TimingRail or None
        The lock's rail.
    limits : Limits
        The venue's: the duty cycle, and the releases from which on a lock stands on its own.

    Returns
    -------
    LockModel
        Its ``obstacle`` says where there is nothing to recommend from.
    """
    lock = sample.lock
    model = _counts(sample)
    exponent = exponents.get(lock.id, NONE)
    reference = rail.typical_volts if rail is not None else None
    if reference is None or exponent.steep == 0.0:
        exponent, reference = NONE, None
    longest_ms, longest_from = longest_pulse(sample, limits.duty_window_s)
    model = replace(
        model, reference_volts=reference, exponent=exponent.middle,
        exponent_steep=exponent.steep, exponent_shallow=exponent.shallow,
        longest_ms=longest_ms, longest_from=longest_from,
    )
    useful = useful_lenders(sample, lenders)
    door = sample.kind == "door"
    pool: Pool | None
    if door and not useful and not sample.coarse_clock:
        return _describe(replace(model, obstacle="door"), sample, None)
    own_least = limits.timing_own_releases
    if sample.changed is not None:  # It is no longer like its part: its own few count.
        own_least = min(own_least, FEWEST_RECENT)
    if not door and not sample.coarse_clock and (
        sample.releases >= own_least or (not useful and sample.releases >= LEAST)
    ):
        pool, basis = own_pool(sample, reference, exponent.middle), "own"
    elif useful:
        pool, basis = lent_pool(sample, useful, reference, exponents), "borrowed"
    else:
        blind = sample.kind is None or sample.unobserved > sample.releases
        obstacle = "coarse-clock" if sample.coarse_clock else (
            "unobserved" if blind else "too-few")
        return _describe(replace(model, obstacle=obstacle), sample, None)
    lates = UpperTail(pool.late, np.ones(pool.late.size, dtype=bool), days=pool.late_day,
                      step=pool.step)
    need, known, need_ms = _needs(sample, pool, lates, reference, exponent.middle)
    late_ms = _lates(pool, lates)
    if basis == "borrowed" and not door:
        own = own_pool(sample, reference, exponent.middle).need
        slow = slow_mode(own, pool)
        if slow.seen and slow.bound_ms is not None:
            need_ms = _beyond_slow(need_ms, slow.rate.mean, slow.bound_ms, target=True)
            late_ms = _beyond_slow(late_ms, slow.rate.mean, slow.bound_ms, target=False)
        model = replace(
            model, slow=slow.rate, slow_ms=slow.bound_ms,
            own_need_ms=tuple(float(v) for v in np.sort(own)),
            own_least=least_shares(int(sample.first.sum())),
        )
    long_enough = need_ms[key(0.99)] or np.inf
    alike = released_alike(sample, family_samples)
    misses = [_missed(s, reference, exponents, long_enough) for s in (sample, *alike)]
    again = [s.missed_again for s in (sample, *alike)]
    if door:  # What its contact misses includes the person who did not push.
        misses[0], again[0] = (0, 0), (0, 0)
    own_misses = misses[0]
    effect = 1.0 if door else _miss_effect(sample)
    model = replace(
        model, basis=basis, obstacle="",
        siblings=tuple(s.lock.id for s in useful) if basis == "borrowed" else (),
        borrowed_releases=sum(s.releases for s in useful) if basis == "borrowed" else 0,
        independent=_independent(sample) if basis == "own" else sum(map(_independent, useful)),
        location_factor=float(np.exp(special.ndtri(0.95) * pool.deviation)),
        cue_folds_ms=_folds(pool.late, pool.late_day),
        points_ms=_rounded(quantile_points(pool.late, np.ones(pool.late.size, bool), POINTS)),
        need_points_ms=_rounded(quantile_points(need, known, POINTS)),
        need_ms=need_ms, late_ms=late_ms,
        miss=miss_rate(*own_misses, misses[1:], confidence=MISS_CONFIDENCE, inflation=effect),
        again=miss_rate(*again[0], again[1:], confidence=MISS_CONFIDENCE),
        silent=tuple(key(t) for t in TARGETS if _too_silent(*own_misses, t)),
    )
    return _describe(model, sample, pool)


def _counts(sample: Sample) -> LockModel:
    lock = sample.lock
    pulses, groups = sample.pulse_ms[sample.first], _pulse_groups(sample)
    return LockModel(
        lock=lock.id, room=lock.room, part=lock.part, supply=lock.supply, magnet=not lock.pulsed,
        slow_magnet=not lock.pulsed and lock.suppression == "diode",
        on_way_out=lock.on_way_out, kind=sample.kind, first_day=sample.first_day,
        last_day=sample.last_day, commands=sample.commands, released=sample.releases,
        unanswered=int((~sample.released).sum()), already_open=sample.already_open,
        unobserved=sample.unobserved, two_clocks=sample.two_clocks,
        resolution_ms=sample.resolution_ms, pulse_groups=groups,
        tried_ms=tuple(group.pulse_ms for group in groups),
        seen=_seen(sample), changed=sample.changed,
        pulse_now_ms=sample.pulse_now_ms,
        # A self-cutting lock's current ends with its release: there a short pulse is proven.
        pulse_least_ms=(float(np.quantile(pulses, 0.01)) if pulses.size and not lock.self_cut
                        else None),
        max_on_ms=lock.max_on_ms if lock.pulsed else None,
        duty_percent=lock.duty_percent if lock.pulsed else None,
        busiest_cycle=sample.busiest_cycle, amps=lock.amps,
        miss=MissRate(0, 0, 1.0, 1.0), again=MissRate(0, 0, 1.0, 1.0),
    )


def longest_pulse(sample: Sample, duty_window_s: float) -> tuple[float | None, str]:
    """The longest pulse that the coil's ratings allow, and the key that says so.

    The duty holds for as many commands in one duty cycle as the log ever saw. A magnet's
    off-time has no such end.
    """
    lock = sample.lock
    found: list[tuple[float, str]] = []
    if lock.pulsed and lock.max_on_ms is not None:
        found.append((lock.max_on_ms, "max_on_ms"))
    if lock.pulsed and lock.duty_percent is not None and lock.duty_percent < 100:
        often = max(sample.busiest_cycle, 1)
        found.append((lock.duty_percent / 100 * duty_window_s * 1000 / often, "duty_percent"))
    return min(found, default=(None, ""))


def _needs(
    sample: Sample, pool: Pool, lates: UpperTail, reference: float | None, exponent: float
) -> tuple[Reals, Flags, dict[str, float | None]]:
    """Bounds of the pulse needed, by target, at reference volts.

    A silent command whose pulse was shorter than the bound may have been cut short: it joins
    as a need longer than its pulse, and the bound is taken again until none is left. Those
    with longer pulses were silent for another reason and are counted as misses.
    """
    silent = ~sample.released & sample.first
    pulses = at_reference(sample.pulse_ms[silent], sample.volts[silent], reference, exponent)
    days = sample.day[silent]
    need, known, day = pool.need, pool.need_known, pool.day
    # Most locks answer their first commands alone: what is needed is then what is late.
    alike = (known.all() and np.array_equal(need, pool.late) and np.array_equal(day, pool.late_day))
    tail = lates if alike else UpperTail(need, known, days=day, step=pool.step)
    joined = np.zeros(pulses.size, dtype=bool)
    for _ in range(CENSORING_ROUNDS):
        limit = tail.bound(0.99, NEED_CONFIDENCE, pool.deviation)
        short = np.zeros(pulses.size, bool) if limit is None else (pulses < limit) & ~joined
        if not short.any():
            break
        joined |= short
        need = np.concatenate([need, pulses[short]])
        known = np.concatenate([known, np.zeros(int(short.sum()), dtype=bool)])
        day = np.concatenate([day, days[short]])
        tail = UpperTail(need, known, days=day, step=pool.step)
    found: dict[str, float | None] = {}
    least = 0.0
    for target in (*CURVE, *TARGETS):
        value = tail.bound(target, NEED_CONFIDENCE, pool.deviation)
        if value is not None:
            value = least = max(value, least)
        found[key(target)] = value
    return need, known, found


def _beyond_slow(
    bounds: dict[str, float | None], share: float, slow_ms: float, *, target: bool
) -> dict[str, float | None]:
    """Bounds that reach beyond the lock's own slow mode, where that is too large to be left out."""
    return {
        name: max(value, slow_ms)
        if value is not None and share > (1 - float(name) if target else float(name)) else value
        for name, value in bounds.items()
    }


def _lates(pool: Pool, lates: UpperTail) -> dict[str, float | None]:
    """Bounds of the latency of those that release, by risk, at reference volts."""
    found: dict[str, float | None] = {}
    least = 0.0
    for risk in sorted(RISKS, reverse=True):
        value = lates.bound(1 - risk, NEED_CONFIDENCE, pool.deviation)
        if value is not None:
            value = least = max(value, least)
        found[key(risk)] = value
    return found


def _missed(
    sample: Sample, reference: float | None, exponents: Mapping[str, Exponent], enough: float
) -> tuple[int, int]:
    """First commands with a pulse that was long enough: how many silent, of how many."""
    power = exponents.get(sample.lock.id, NONE).middle if reference is not None else 0.0
    # Every lock asks it of all others: sorted once for each reference.
    kept = sample.pulses_at.get((reference, power))
    if kept is None:
        first = sample.first
        pulse = at_reference(sample.pulse_ms, sample.volts, reference, power)[first]
        order = np.argsort(pulse)[: int((~np.isnan(pulse)).sum())]
        silent = np.append(0, np.cumsum(~sample.released[first][order]))
        kept = sample.pulses_at[reference, power] = pulse[order], silent
    pulse, silent = kept
    start = int(np.searchsorted(pulse, enough))
    return int(silent[-1] - silent[start]), pulse.size - start


def _too_silent(missed: int, commands: int, target: float) -> bool:
    """Whether so many silent commands are more than chance where the target is met (5 %)."""
    return missed > 0 and float(special.bdtrc(missed - 1, commands, 1 - target)) < TOO_SILENT


def released_alike(sample: Sample, others: Sequence[Sample]) -> list[Sample]:
    """The venue's other locks released the same way: they say how much locks differ in silence."""
    return [s for s in others if s.lock.id != sample.lock.id and s.kind not in (None, "door")
            and s.lock.pulsed == sample.lock.pulsed]


def _miss_effect(sample: Sample) -> float:
    silent = ~sample.released & sample.first
    return design_effect(silent[sample.first], sample.day[sample.first]) if silent.any() else 1.0


def _folds(late: Reals, day: Ints) -> tuple[tuple[float, ...], ...]:
    """Equally likely latencies of consecutive stretches of days, or of releases where days are few.

    Days are alike, so a day is never in two of them.
    """
    days = np.unique(day)
    order = np.argsort(day, kind="stable")
    if days.size >= FOLDS:
        # Each day goes to the stretch in which its middle release falls.
        start, end = (np.searchsorted(day[order], days, side) for side in ("left", "right"))
        middle = (start + end) / 2
        fold = np.minimum((middle * FOLDS / late.size).astype(int), FOLDS - 1)
        parts = [late[np.isin(day, days[fold == one])] for one in range(FOLDS)]
    else:
        parts = np.array_split(late[order], FOLDS)
    return tuple(
        _rounded(quantile_points(part, np.ones(part.size, dtype=bool), FOLD_POINTS))
        for part in parts if part.size)


def _independent(sample: Sample) -> float:
    latency = sample.latency_ms[sample.released]
    if latency.size < 2:
        return float(latency.size)
    return latency.size / design_effect(latency > np.median(latency), sample.day[sample.released])


def _describe(model: LockModel, sample: Sample, pool: Pool | None) -> LockModel:
    """The printed quantiles: over the volts and seasons met, silent commands counted."""
    if model.basis == "borrowed" and pool is not None and model.kind != "door":
        z = float(special.ndtri(0.975))
        low, high = np.exp(-z * pool.deviation), np.exp(z * pool.deviation)
        values = np.quantile(pool.late, TIMING_QUANTILES, method="inverted_cdf")
        rows = [Quantile(q, float(v), float(v * low), float(v * high))
                for q, v in zip(TIMING_QUANTILES, values, strict=True)]
        return replace(model, quantiles=tuple(rows))
    if sample.releases < FEWEST_FOR_CURVE:
        return model
    rows = []
    plain = product_limit(sample.latency_ms, sample.released)
    for share in TIMING_QUANTILES:
        value = plain.quantile(share)[0]
        effect = 1.0
        if value is not None:
            effect = design_effect(sample.latency_ms > value, sample.day)
        # Dependent days widen the interval as fewer observations would.
        wide = 2 * float(special.ndtr(special.ndtri(0.975) * np.sqrt(effect))) - 1
        wide = min(wide, 1 - 1e-9)
        _, least, most = plain.quantile(share, None if effect == 1.0 else wide)
        rows.append(Quantile(share, value, least, most))
    return replace(model, quantiles=tuple(rows))


def _seen(sample: Sample, most: int = MOST_SEEN_POINTS) -> tuple[SeenPoint, ...]:
    """The product-limit share released by each pulse length: what lies under the fitted curve."""
    first = sample.first
    if sample.kind in (None, "door") or sample.released[first].sum() < FEWEST_FOR_CURVE:
        return ()
    curve = product_limit(sample.need_ms[first], sample.released[first])
    steps = np.flatnonzero(curve.events > 0)
    wanted = np.searchsorted(1 - curve.survival[steps],
                             np.linspace(0, 1 - curve.survival[steps[-1]], most))
    chosen = steps[np.unique(np.minimum(wanted, steps.size - 1))]
    return tuple(SeenPoint(float(curve.times[i]), float(1 - curve.survival[i])) for i in chosen)


def _pulse_groups(sample: Sample, most: int = MOST_PULSE_GROUPS) -> tuple[PulseGroup, ...]:
    """Commands grouped by pulse length, each group of nearly equal pulses."""
    use = sample.first
    pulse, released = sample.pulse_ms[use], sample.released[use]
    if not pulse.size:
        return ()
    order = np.argsort(pulse, kind="stable")
    pulse, released = pulse[order], released[order]
    # A new group where the pulse steps up by more than 3 %; the narrowest steps go first.
    breaks = np.flatnonzero(np.diff(np.log(pulse)) > PULSE_STEP) + 1
    if breaks.size > most - 1:
        steps = np.diff(np.log(pulse))[breaks - 1]
        breaks = np.sort(breaks[np.argsort(-steps, kind="stable")[: most - 1]])
    return tuple(
        PulseGroup(float(np.median(p)), int(p.size), int(r.sum()))
        for p, r in zip(np.split(pulse, breaks), np.split(released, breaks), strict=True)
    )


def _rounded(values: Reals) -> tuple[float, ...]:
    return tuple(float(v) for v in np.floor(values * 10 + 0.5) / 10)
