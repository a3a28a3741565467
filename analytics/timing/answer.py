"""From a lock's timing to what to programme: pulse, waits and cue.

Every answer is simple arithmetic on the numbers of a :class:`LockModel`, in an order that the
page's script repeats step for step, so that both give the same digits. Rounding is to the safe
side: pulses and waits up, probabilities down.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from remanence.analytics.timing.cue import CueAnswer, cue_answer
from remanence.analytics.timing.model import TARGETS, TRIED_WITHIN, LockModel, Settings, key
from remanence.analytics.timing.scale import TINY, round_up, safe_scale


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
            math.floor(longest / settings.pulse_step_ms + TINY) * settings.pulse_step_ms, shortest
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
    return math.floor(least * 1e5 + TINY) / 1e5


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
    return math.floor(body * (1 - slow) * (1 - model.miss.mean) * 1e5 + TINY) / 1e5


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
        most = min(most, math.floor(share * settings.duty_cycle_ms / pulse_ms + TINY) - 1)
        if most < 1:
            retry = max(retry, pulse_ms / share)
    retry = round_up(retry, settings.wait_step_ms)
    left, retries = model.miss.mean * model.again.mean, 1
    while left > risk and retries < most:
        left, retries = left * model.again.mean, retries + 1
    return WaitAnswer(late_ms, retry, retries, retries * retry + late_ms, left)


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
