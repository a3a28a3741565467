"""When to start a sound or a light, so that most openings and it are one event."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from remanence.analytics.timing.model import LockModel, Settings
from remanence.analytics.timing.scale import TINY, likely_scale, tenths, tenths_of

_PLACES = ((-1.0530, 1 / 6), (0.0, 2 / 3), (1.0530, 1 / 6))
"""A normal distribution by three points, in the unit of its 95 % end: root of 3 over 1.645
(Gauss and Hermite's rule, textbook)."""


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
    folds = [tenths_of(part, scale) for part in model.cue_folds_ms] or [points]
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
        share_low=math.floor(low * 1e3 + TINY) / 1e3,
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
