"""From a lock's timing to what to programme: pulse, waits and cue.

Every answer is simple arithmetic on the numbers of a :class:`LockModel`, in an order that the
page's script repeats step for step, so that both give the same digits. Rounding is to the safe
side: pulses and waits up, probabilities down.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from remanence.analytics.timing.model import TARGETS, TRIED_WITHIN, LockModel, Settings, key

_PLACES = ((-1.0530, 1 / 6), (0.0, 2 / 3), (1.0530, 1 / 6))
"""A normal distribution by three points, in the unit of its 95 % end: root of 3 over 1.645
(Gauss and Hermite's rule, textbook)."""

_TINY = 1e-9
"""Rounding up starts this far above a whole number: arithmetic is not exact."""


@dataclass(frozen=True)
class PulseAnswer:
    """The pulse to programme; for a magnet, the time to leave it switched off.

    Attributes
    ----------
    state : str
        ``good``, ``tight`` (the rating leaves less than the usual margin), ``none`` (no pulse
        does both: the shortest that releases is longer than the rating allows), ``mend`` (it
        needs far longer than its part and longer than is usual: a longer pulse is no cure) or
        the obstacle (``door``, ``unobserved``, ``too-few``, ``coarse-clock``).
    shortest_ms, longest_ms, recommended_ms : float or None
        Shortest that meets the target, longest that the rating allows, and what to programme.
    change : str
        Why ``recommended_ms`` is not the pulse in use: ``short`` (that one is too short),
        ``margin`` (it releases, but leaves less than the usual margin), ``long`` (the coil does not
        bear it), ``battery`` or ``rail`` (a shorter one saves the battery, or lets a crowded rail
        be fired in quicker turns). ``keep`` where it is the pulse in use, empty where none is set.
    stated, expected : float or None
        Share of openings that ``recommended_ms`` releases at the first try: a lower bound
        (one-sided 95 %), and what is expected. ``stated`` is None where a lock that borrows has no
        command of its own to promise by.
    falls_short : str
        Why ``stated`` is below the target: ``misses`` (unanswered whatever the length), ``few``
        (too few commands to be that sure) or empty.
    untried, below_log : bool
        No pulse in the log was of this length; all were longer. The feedback had moved by then,
        that it stays moved when the current ends is still to be tried.
    beyond_usual : bool
        What it needs is longer than pulses usually are.
    """

    state: str
    shortest_ms: float | None = None
    longest_ms: float | None = None
    recommended_ms: float | None = None
    stated: float | None = None
    expected: float | None = None
    change: str = ""
    falls_short: str = ""
    untried: bool = False
    below_log: bool = False
    beyond_usual: bool = False


@dataclass(frozen=True)
class WaitAnswer:
    """When to try again, how often, and when to call it stuck; times from the first command.

    Attributes
    ----------
    late_ms : float or None
        Time after which a release that is still to come is rarer than the risk.
    retry_ms : float or None
        From a command to the next try.
    retries : int or None
        How many.
    stuck_ms : float or None
        When to call it stuck.
    left : float or None
        Chance that a healthy lock is called stuck all the same.
    """

    late_ms: float | None = None
    retry_ms: float | None = None
    retries: int | None = None
    stuck_ms: float | None = None
    left: float | None = None


@dataclass(frozen=True)
class CueAnswer:
    """When to start a cue, after (before, if negative) the command, and how many it catches.

    Attributes
    ----------
    offset_ms : float or None
        When.
    from_ms, to_ms : float or None
        Between these at most one opening in a hundred more is lost.
    share, share_low : float or None
        Share of openings that lie where few notice that the two are apart, and its lower limit.
        Each stretch of days is judged by the offset that the others chose (cross-validation).
    accepted : float or None
        Share that lies where few mind, likewise.
    feedback : bool
        The lower limit is too small: start it from the feedback.
    """

    offset_ms: float | None = None
    from_ms: float | None = None
    to_ms: float | None = None
    share: float | None = None
    share_low: float | None = None
    accepted: float | None = None
    feedback: bool = False


@dataclass(frozen=True)
class LockAnswer:
    """All answers for one lock.

    Attributes
    ----------
    lock : str
        Its id.
    slow_volts, cue_volts : float or None
        Rail volts that pulse and waits, and the cues, were worked out for.
    pulse, wait : PulseAnswer, WaitAnswer
        What to programme.
    sound, light : CueAnswer
        When to start either.
    """

    lock: str
    slow_volts: float | None
    cue_volts: float | None
    pulse: PulseAnswer
    wait: WaitAnswer
    sound: CueAnswer
    light: CueAnswer


def round_up(value: float, step: float) -> float:
    """The next multiple of ``step``."""
    return math.ceil(value / step - _TINY) * step


def safe_scale(model: LockModel, volts: float | None) -> float:
    """How much longer times are at ``volts``, by the exponent's end on the safe side."""
    if volts is None or model.reference_volts is None:
        return 1.0
    low = volts < model.reference_volts
    power = model.exponent_steep if low else model.exponent_shallow
    return float((volts / model.reference_volts) ** power)


def likely_scale(model: LockModel, volts: float | None) -> float:
    """How much longer times are at ``volts``, as far as is known."""
    if volts is None or model.reference_volts is None:
        return 1.0
    return float((volts / model.reference_volts) ** model.exponent)


def pulse_answer(
    model: LockModel, settings: Settings, target: float, volts: float | None
) -> PulseAnswer:
    """The pulse to programme for ``target`` at ``volts``: the one in use, where that will do.

    A pulse that has answered for months is kept as long as it is long enough and the coil bears
    it; a shorter one gains nothing but where heat, a battery or a crowded rail asks for it.

    Parameters
    ----------
    model : LockModel
        The lock.
    settings : Settings
        Margins, step and what is usual.
    target : float
        One of :data:`TARGETS`: share of openings to release at the first try.
    volts : float or None
        The lowest rail volts it is to work at; None: as the log had them.

    Returns
    -------
    PulseAnswer
        Rounded up; no pulse where there is an obstacle or the target was not worked out.

    Notes
    -----
    Margins: common practice, no source.
    """
    longest = model.longest_ms
    need = model.need_ms.get(key(target))
    if model.obstacle or need is None:
        return PulseAnswer(model.obstacle or "too-few", longest_ms=longest)
    scale = safe_scale(model, volts)
    shortest = round_up(need * scale, 1.0)
    if model.magnet:
        wanted = shortest * settings.magnet_margin + settings.magnet_person_ms
    else:
        wanted = shortest * settings.pulse_margin
    recommended = round_up(wanted, settings.pulse_step_ms)
    state = "good"
    if model.mend_first and not model.magnet and recommended > settings.usual_pulse_ms:
        return PulseAnswer("mend", shortest, longest)
    if longest is not None and shortest > longest:
        return PulseAnswer("none", shortest, longest)
    if longest is not None and recommended > longest:
        state, recommended = "tight", max(
            math.floor(longest / settings.pulse_step_ms + _TINY) * settings.pulse_step_ms, shortest
        )
    needs_more_than_usual = not model.magnet and recommended > settings.usual_pulse_ms
    now, change = None if model.magnet else model.pulse_now_ms, ""
    if now is not None:
        if now < shortest:
            change = "short"
        elif longest is not None and now > longest:
            change = "long"
        elif now < min(wanted, recommended):
            change = "margin"
        elif model.shorter_for and now > recommended:
            change = model.shorter_for
        else:
            change, recommended = "keep", now
    stated = stated_share(model, recommended, scale)
    falls_short = ""
    if stated is None or stated < target:
        falls_short = "misses" if key(target) in model.silent else "few"
    least = model.pulse_least_ms
    return PulseAnswer(
        state, shortest, longest, recommended, stated, expected_share(model, recommended, scale),
        change, falls_short,
        untried=not model.magnet and not any(
            abs(tried - recommended) <= TRIED_WITHIN * recommended for tried in model.tried_ms),
        below_log=not model.magnet and least is not None and recommended < least,
        beyond_usual=needs_more_than_usual,
    )


def stated_share(model: LockModel, pulse_ms: float, scale: float) -> float | None:
    """Share of openings that a pulse releases at the first try: a lower bound, rounded down.

    Parameters
    ----------
    model : LockModel
        The lock.
    pulse_ms : float
        The pulse.
    scale : float
        How much longer times are than at the model's reference volts; 1 there.

    Returns
    -------
    float or None
        The highest of :data:`TARGETS` that the pulse is long enough for, less the upper bound of
        silent commands; 0 where it is long enough for none. A lock that borrows may be unlike the
        others: no more is promised than its own commands do (:func:`least_shares`), and nothing
        (None) without any.
    """
    best = 0.0
    for target in TARGETS:
        need = model.need_ms.get(key(target))
        if need is not None and need * scale <= pulse_ms:
            best = target
    least = best * (1 - model.miss.upper)
    if model.basis == "borrowed":
        if not model.own_least:
            return None
        released = sum(1 for need in model.own_need_ms if need * scale <= pulse_ms)
        least = min(least, model.own_least[len(model.own_least) - 1 - released])
    return math.floor(least * 1e5 + _TINY) / 1e5


def expected_share(model: LockModel, pulse_ms: float, scale: float) -> float:
    """Share of openings that a pulse is expected to release at the first try, rounded down.

    Parameters
    ----------
    model : LockModel
        The lock.
    pulse_ms : float
        The pulse.
    scale : float
        How much longer times are than at the model's reference volts; 1 there.

    Returns
    -------
    float
        Of the equally likely needs those that are no longer, less the slow releases that the pulse
        is too short for and the silent commands, each by its expected share.
    """
    points = model.need_points_ms
    body = sum(1 for need in points if need * scale <= pulse_ms) / max(len(points), 1)
    covered = model.slow_ms is not None and model.slow_ms * scale <= pulse_ms
    slow = 0.0 if covered else model.slow.mean
    return math.floor(body * (1 - slow) * (1 - model.miss.mean) * 1e5 + _TINY) / 1e5


def wait_answer(
    model: LockModel, settings: Settings, risk: float, volts: float | None,
    pulse_ms: float | None,
) -> WaitAnswer:
    """Waits and retries for a chance ``risk`` of calling a healthy lock stuck.

    Parameters
    ----------
    model : LockModel
        The lock.
    settings : Settings
        Least retry, most retries and step.
    risk : float
        One of :data:`RISKS`.
    volts : float or None
        The lowest rail volts it is to work at; None: as the log had them.
    pulse_ms : float or None
        The pulse that is programmed.

    Returns
    -------
    WaitAnswer
        All tries of one opening keep to the coil's duty over one duty cycle; where that leaves no
        room for two, a retry waits until the duty allows it. Without a pulse to program there is
        nothing to wait for: then none are given; nor for a latency that contains a person (a door).
    """
    late = model.late_ms.get(key(risk))
    if model.obstacle or model.kind == "door" or late is None or pulse_ms is None:
        return WaitAnswer()
    late_ms = round_up(late * safe_scale(model, volts), settings.wait_step_ms)
    retry, most = max(late_ms, settings.retry_least_ms, pulse_ms), settings.retries_most
    if not model.magnet and model.duty_percent:
        share = model.duty_percent / 100
        most = min(most, math.floor(share * settings.duty_cycle_ms / pulse_ms + _TINY) - 1)
        if most < 1:
            retry = max(retry, pulse_ms / share)
    retry = round_up(retry, settings.wait_step_ms)
    left, retries = model.miss.mean * model.again.mean, 1
    while left > risk and retries < most:
        left, retries = left * model.again.mean, retries + 1
    return WaitAnswer(late_ms, retry, retries, retries * retry + late_ms, left)


def tenths(model: LockModel, volts: float | None, delay_ms: float = 0.0) -> list[int]:
    """The lock's equally likely release times at ``volts``, in tenths of a millisecond."""
    return _tenths_of(model.points_ms, likely_scale(model, volts), delay_ms)


def _tenths_of(points: Sequence[float], scale: float, delay_ms: float = 0.0) -> list[int]:
    return [math.floor((point * scale + delay_ms) * 10 + 0.5) for point in points]


def cue_answer(
    model: LockModel, settings: Settings, volts: float | None, *, sound: bool
) -> CueAnswer:
    """When to start a sound (or a light) so that most openings and it are one event.

    The opening is what is seen (with a sound as cue) or heard (with a light as cue). A sound
    may come ``early_ms`` before what is seen and ``late_ms`` after it.

    Parameters
    ----------
    model : LockModel
        The lock.
    settings : Settings
        What reads as one event (:class:`Settings`).
    volts : float or None
        Rail volts at which the cue is to fit; None: as the log had them.
    sound : bool
        True for a sound, False for a light.

    Returns
    -------
    CueAnswer
        Nothing for a door, or where there are no release times.
    """
    if model.obstacle or model.kind == "door" or not model.points_ms:
        return CueAnswer()
    points = tenths(model, volts)
    scale = likely_scale(model, volts)
    folds = [_tenths_of(part, scale) for part in model.cue_folds_ms] or [points]
    early, late = (settings.early_ms, settings.late_ms)
    wide = (settings.accept_early_ms, settings.accept_late_ms)
    # The opening at t is inside when cue - before <= t <= cue + after.
    before, after = (late, early) if sound else (early, late)
    wide_before, wide_after = (wide[1], wide[0]) if sound else wide
    first, last, best = best_window(points, before, after, 0)
    offset = math.floor((first + last) / 20 + 0.5) * 10
    near_first, near_last, _ = best_window(points, before, after, best - len(points) // 100)
    places: tuple[tuple[float, float], ...] = ((1.0, 1.0),)
    if model.location_factor > 1.0:
        places = tuple((model.location_factor**far, weight) for far, weight in _PLACES)
    share, accepted = _judged_apart(folds, places, (before, after), (wide_before, wide_after))
    low = share
    if model.location_factor > 1.0:
        for factor in (model.location_factor, 1 / model.location_factor):
            low = min(low, inside_window(_moved(points, factor), offset, before, after)
                      / len(points))
    low = float(_wilson_low(low, max(model.independent, 1.0))) * (1 - model.slow.upper)
    return CueAnswer(
        offset_ms=offset / 10, from_ms=math.ceil(near_first / 10),
        to_ms=math.floor(near_last / 10), share=share,
        share_low=math.floor(low * 1e3 + _TINY) / 1e3,
        accepted=accepted,
        feedback=low < settings.cue_share_least or model.slow_magnet,
    )


def _moved(points: Sequence[int], factor: float) -> list[int]:
    return [math.floor(point * factor + 0.5) for point in points]


def _judged_apart(
    folds: Sequence[Sequence[int]], places: Sequence[tuple[float, float]],
    inner: tuple[float, float], outer: tuple[float, float],
) -> tuple[float, float]:
    """Shares inside two windows around the offset that the other folds chose; folds weigh alike.

    ``places``: factors by which what is borrowed may lie elsewhere, with their weights. A single
    fold has no others, and is judged by its own.
    """
    share = accepted = 0.0
    for number, fold in enumerate(folds):
        others = [point for other, part in enumerate(folds) if other != number for point in part]
        first, last, _ = best_window(others or list(fold), *inner, 0)
        offset = math.floor((first + last) / 20 + 0.5) * 10
        for factor, weight in places:
            moved = _moved(fold, factor)
            share += weight * inside_window(moved, offset, *inner) / len(fold)
            accepted += weight * inside_window(moved, offset, *outer) / len(fold)
    return min(share / len(folds), 1.0), min(accepted / len(folds), 1.0)


def inside_window(points: Sequence[int], offset: int, before: float, after: float) -> int:
    """How many points (tenths of ms) lie from ``before`` to ``after`` (ms) around ``offset``."""
    low, high = offset - round(before * 10), offset + round(after * 10)
    return sum(1 for point in points if low <= point <= high)


def best_window(
    points: Sequence[int], before: float, after: float, least: int
) -> tuple[int, int, int]:
    """First and last offset of the longest stretch with the most points inside, and how many.

    With ``least`` above zero: the whole stretch around the best with at least so many.
    """
    steps: dict[int, int] = {}
    for point in points:
        start, end = point - round(after * 10), point + round(before * 10) + 1
        steps[start] = steps.get(start, 0) + 1
        steps[end] = steps.get(end, 0) - 1
    inside, best, edges = 0, 0, sorted(steps)
    levels = []
    for edge in edges:
        inside += steps[edge]
        levels.append(inside)
        best = max(best, inside)
    wanted = least if least > 0 else best
    longest = (0, 0)
    index = 0
    while index < len(edges):
        if levels[index] >= wanted:
            start = edges[index]
            while index < len(edges) and levels[index] >= wanted:
                index += 1
            end = edges[index] - 1
            if end - start > longest[1] - longest[0] or longest == (0, 0):
                longest = (start, end)
        index += 1
    return longest[0], longest[1], best


def _wilson_low(share: float, count: float) -> float:
    """Lower end of Wilson's 95 % interval."""
    z2 = 3.841458820694124
    middle = share + z2 / (2 * count)
    half = math.sqrt(z2) * math.sqrt(share * (1 - share) / count + z2 / (4 * count * count))
    return max((middle - half) / (1 + z2 / count), 0.0)


def lock_answer(
    model: LockModel, settings: Settings, *, target: float | None = None,
    risk: float | None = None, slow_volts: float | None = None, cue_volts: float | None = None,
) -> LockAnswer:
    """All answers for one lock.

    Parameters
    ----------
    model : LockModel
        The lock.
    settings : Settings
        What is asked for.
    target, risk : float, optional
        One of :data:`TARGETS` and of :data:`RISKS`; default: the settings'.
    slow_volts : float, optional
        Rail volts at which pulse and waits must hold; without: as the log had them.
    cue_volts : float, optional
        Rail volts at which the cue is to fit; without: as the log had them.

    Returns
    -------
    LockAnswer
        Pulse, waits and both cues.
    """
    target = settings.target if target is None else target
    risk = settings.risk if risk is None else risk
    pulse = pulse_answer(model, settings, target, slow_volts)
    return LockAnswer(
        lock=model.lock, slow_volts=slow_volts, cue_volts=cue_volts, pulse=pulse,
        wait=wait_answer(model, settings, risk, slow_volts, pulse.recommended_ms),
        sound=cue_answer(model, settings, cue_volts, sound=True),
        light=cue_answer(model, settings, cue_volts, sound=False),
    )


def nearest_offered(value: float, offered: Sequence[float]) -> float:
    """The one of ``offered`` that is nearest to ``value`` on a logarithmic scale.

    Parameters
    ----------
    value : float
        What is asked for, between 0 and 1.
    offered : sequence of float
        :data:`TARGETS` (judged by what is left to 1) or :data:`RISKS`.

    Returns
    -------
    float
        ``value`` itself where it is offered.
    """
    if value in offered:
        return value
    return min(offered, key=lambda item: abs(math.log((1 - item) / (1 - value))
                                             if offered is TARGETS else math.log(item / value)))
