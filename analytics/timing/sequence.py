"""A sequence judged as a whole: does every step fall where it should, and what spoils it?

Each lock's opening is its command's time and its time to release, of which
:class:`~remanence.analytics.timing.model.LockModel` holds equally likely values. A step is right
where the opening lies in its window: around the time that the designer asked for (or its usual
time), and near the cue that belongs to it. Locks are taken for independent but for the rail that
they share, so the chance that every step is right is counted, not drawn.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from remanence.analytics.timing.answer import pulse_answer
from remanence.analytics.timing.cue import best_window, cue_answer
from remanence.analytics.timing.model import LockModel, Settings, TimingRail
from remanence.analytics.timing.scale import round_up, tenths
from remanence.analytics.timing.together import load_of
from remanence.shared import sequence as asked

BETTER = 0.01
"""An offset is changed only where that gains a step this much: less is not seen in a show
(assumption)."""

_BAND = (0.05, 0.95)
_JUST = 1e-9


@dataclass(frozen=True)
class StepAnswer:
    """One step.

    Attributes
    ----------
    step : Step
        As the venue file has it.
    supply : str
        Of a lock: its rail; empty for a cue.
    pulse_ms : float or None
        Of a lock: how long it is commanded.
    opens_ms, opens_low_ms, opens_high_ms : float or None
        Of a lock: when it opens after the sequence's start: median, and what holds 90 %.
    from_ms, to_ms : float or None
        Its window: of a lock the time of the opening, of a cue where the opening may lie for the
        two to be one event.
    share : float or None
        Chance that it falls inside; None where nothing is known of the lock.
    better_ms : float or None
        The offset that mends it; None where the one it has will do.
    feedback : bool
        Of a cue: no offset is good enough; start it from the feedback of its lock.
    """

    step: asked.Step
    supply: str = ""
    pulse_ms: float | None = None
    opens_ms: float | None = None
    opens_low_ms: float | None = None
    opens_high_ms: float | None = None
    from_ms: float | None = None
    to_ms: float | None = None
    share: float | None = None
    better_ms: float | None = None
    feedback: bool = False


@dataclass(frozen=True)
class RailLowest:
    """A rail's lowest volts through the sequence, and whether that is enough.

    Attributes
    ----------
    supply : str
        Its id.
    lowest_volts : float or None
        None where a load or the rail's volts are not known.
    at_ms : float
        When: the command by which it gets there.
    window_volts : float
        The least under load.
    """

    supply: str
    lowest_volts: float | None
    at_ms: float
    window_volts: float

    @property
    def bears(self) -> bool | None:
        """Whether it stays within its window; None where that cannot be told."""
        return None if self.lowest_volts is None else self.lowest_volts >= self.window_volts


@dataclass(frozen=True)
class SequenceAnswer:
    """A sequence as a whole.

    Attributes
    ----------
    id, name : str
        As in the venue file.
    steps : tuple of StepAnswer
        In the file's order.
    share : float or None
        Chance that every step falls inside its window and every lock answers at the first try;
        None where nothing is known of one of its locks.
    unknown : tuple of str
        Those locks.
    spoiler : int or None
        Place of the step that is inside least often; None where all are, or none is known.
    mended_share : float or None
        The chance with the offsets that mend it; None where none is better.
    rails : tuple of RailLowest
        The rails of its pulsed locks.
    """

    id: str
    name: str
    steps: tuple[StepAnswer, ...]
    share: float | None
    unknown: tuple[str, ...]
    spoiler: int | None
    mended_share: float | None
    rails: tuple[RailLowest, ...]


def judge_sequence(
    sequence: asked.Sequence, models: Mapping[str, LockModel], rails: Mapping[str, TimingRail],
    settings: Settings,
) -> SequenceAnswer:
    """Judge one sequence of the venue file.

    Parameters
    ----------
    sequence : Sequence
        Steps with offsets in ms.
    models : mapping of str to LockModel
        By lock.
    rails : mapping of str to TimingRail
        By supply. Openings are worked out at the usual volts, loads from the lowest shown.
    settings : Settings
        Windows, margins and steps.

    Returns
    -------
    SequenceAnswer
        Shares are of the equally likely times to release; those of locks multiply.

    Raises
    ------
    KeyError
        A lock of the sequence has no model.

    Notes
    -----
    Windows of cues: Rec. ITU-R BT.1359-1 (detectability), as of a single lock's cue.
    """
    played = _Played(sequence, models, rails, settings)
    offsets = {place: step.offset_ms for place, step in enumerate(sequence.steps)}
    now = played.at(offsets)
    better = played.mended(offsets, now)
    after = played.at(better) if better != offsets else now
    share, mended = played.chance(offsets), played.chance(better)
    steps = [replace(item, better_ms=better[place] if better[place] != offsets[place] else None,
                     feedback=played.needs_feedback(after, place))
             for place, item in enumerate(now)]
    known = [(item.share, place) for place, item in enumerate(now) if item.share is not None]
    worst = min(known, default=None)
    return SequenceAnswer(
        sequence.id, sequence.name, tuple(steps), share, played.unknown,
        worst[1] if worst is not None and worst[0] < 1.0 else None,
        mended if mended is not None and share is not None and mended > share + _JUST else None,
        played.rails_through(offsets),
    )


@dataclass(frozen=True)
class _Played:
    """A sequence with the models of its locks, to be looked at for any offsets of its steps."""

    sequence: asked.Sequence
    models: Mapping[str, LockModel]
    rails: Mapping[str, TimingRail]
    settings: Settings

    @property
    def unknown(self) -> tuple[str, ...]:
        return tuple(step.lock for step in self.sequence.steps
                     if step.lock and not _known(self.models[step.lock]))

    def pulse(self, model: LockModel) -> float:
        """How long it is commanded: as programmed now, else as recommended."""
        if model.pulse_now_ms is not None:
            return model.pulse_now_ms
        rail = self.rails.get(model.supply)
        answer = pulse_answer(model, self.settings, self.settings.target,
                              rail.low_volts if rail else None)
        return answer.recommended_ms or 0.0

    def places(self) -> dict[str, int]:
        return {step.lock: place for place, step in enumerate(self.sequence.steps) if step.lock}

    def load_at(
        self, supply: str, at_ms: float, offsets: Mapping[int, float], volts: float | None,
        without: str = "",
    ) -> float | None:
        """What the pulsed locks that are on at a moment add to a rail; None if one is unknown."""
        total = 0.0
        for lock, place in self.places().items():
            model = self.models[lock]
            if model.supply != supply or lock == without or model.magnet:
                continue
            start = offsets[place]
            if start <= at_ms < start + self.pulse(model):
                load = load_of(model, volts)
                if load is None:
                    return None
                total += load
        return total

    def points(self, lock: str, offsets: Mapping[int, float]) -> list[int]:
        """Equally likely times to release [tenths of ms] at the volts that the others leave."""
        model, rail = self.models[lock], self.rails.get(self.models[lock].supply)
        volts = rail.typical_volts if rail else None
        if volts is not None:
            volts /= 1 + (self.load_at(model.supply, offsets[self.places()[lock]], offsets, volts,
                                       without=lock) or 0.0)
        return tenths(model, volts)

    def windows(
        self, lock: str, offsets: Mapping[int, float]
    ) -> list[tuple[int, float, float]]:
        """Place, and from when to when after its command the opening is right, of each step.

        The windows of cues lie where an opening and the cue are one event for most.
        """
        place, s = self.places()[lock], self.settings
        step, start = self.sequence.steps[place], offsets[place]
        points = self.points(lock, offsets)
        within = step.within_ms if step.within_ms is not None else s.spread_ms
        usual = (points[len(points) // 2 - 1] + points[len(points) // 2]) / 20
        due = usual if step.opens_at_ms is None else step.opens_at_ms - start
        found = [(place, due - within, due + within)]
        for other, item in enumerate(self.sequence.steps):
            if item.cue and item.goes_with == lock:
                before, after = ((s.late_ms, s.early_ms) if item.cue == "sound"
                                 else (s.early_ms, s.late_ms))
                cue = offsets[other] - start
                found.append((other, cue - before, cue + after))
        return found

    def chance(self, offsets: Mapping[int, float]) -> float | None:
        """Chance that all locks answer and every step falls inside its window."""
        if self.unknown:
            return None
        total = 1.0
        for lock in self.places():
            points = np.asarray(self.points(lock, offsets)) / 10
            right = np.ones(points.size, dtype=bool)
            for _, low, high in self.windows(lock, offsets):
                right &= (points >= low - _JUST) & (points <= high + _JUST)
            total *= float(right.mean()) * (1 - self.models[lock].miss.mean)
        return total

    def at(self, offsets: Mapping[int, float]) -> list[StepAnswer]:
        """Every step for these offsets, without what would mend it."""
        found = {place: StepAnswer(step) for place, step in enumerate(self.sequence.steps)}
        for lock, place in self.places().items():
            model, start = self.models[lock], offsets[place]
            found[place] = replace(found[place], supply=model.supply, pulse_ms=self.pulse(model))
            if not _known(model):
                continue
            points = self.points(lock, offsets)
            low, high = (points[min(int(share * len(points)), len(points) - 1)] / 10
                         for share in _BAND)
            middle = (points[len(points) // 2 - 1] + points[len(points) // 2]) / 20
            found[place] = replace(
                found[place], opens_ms=start + middle, opens_low_ms=start + low,
                opens_high_ms=start + high)
            for other, first, last in self.windows(lock, offsets):
                inside = sum(first - _JUST <= point / 10 <= last + _JUST for point in points)
                found[other] = replace(found[other], from_ms=start + first, to_ms=start + last,
                                       share=inside / len(points))
        return [found[place] for place in range(len(self.sequence.steps))]

    def mended(
        self, offsets: Mapping[int, float], now: Sequence[StepAnswer]
    ) -> dict[int, float]:
        """Offsets by which rails keep their window, openings meet their time, cues the openings."""
        better = self._staggered(offsets)
        for lock, place in self.places().items():
            step, model = self.sequence.steps[place], self.models[lock]
            if not _known(model):
                continue
            points = self.points(lock, better)
            if step.opens_at_ms is not None and better[place] == offsets[place]:
                within = (step.within_ms if step.within_ms is not None
                          else self.settings.spread_ms)
                first, last, most = best_window(points, within, within, 0)
                if most / len(points) >= (now[place].share or 0.0) + BETTER:
                    better[place] = step.opens_at_ms - math.floor((first + last) / 20 + 0.5)
            moved = better[place] - offsets[place]
            for other, item in enumerate(self.sequence.steps):
                if item.cue is None or item.goes_with != lock:
                    continue
                better[other] = offsets[other] + moved
                rail = self.rails.get(model.supply)
                cue = cue_answer(model, self.settings, rail.typical_volts if rail else None,
                                 sound=item.cue == "sound")
                if cue.offset_ms is not None and (cue.share or 0.0) >= (
                        now[other].share or 0.0) + BETTER:
                    better[other] = better[place] + cue.offset_ms
        return better

    def _staggered(self, offsets: Mapping[int, float]) -> dict[int, float]:
        """Commands held back until what is on leaves the rail its window; in order of time."""
        better = dict(offsets)
        done: list[int] = []
        for place in sorted(self.places().values(), key=lambda item: offsets[item]):
            model = self.models[self.sequence.steps[place].lock or ""]
            rail = self.rails.get(model.supply)
            load = load_of(model, rail.low_volts if rail else None)
            if not model.magnet and rail is not None and rail.low_volts is not None and load:
                room = rail.low_volts / rail.window_volts - 1
                for other in sorted(done, key=lambda item: better[item]):
                    beside = self.models[self.sequence.steps[other].lock or ""]
                    on = self.load_at(model.supply, better[place], {**better, place: math.inf},
                                      rail.low_volts) or 0.0
                    if on + load <= room + _JUST:
                        break
                    if beside.supply == model.supply:
                        better[place] = max(better[place], round_up(
                            better[other] + self.pulse(beside), self.settings.wait_step_ms))
            done.append(place)
        return better

    def needs_feedback(self, after: Sequence[StepAnswer], place: int) -> bool:
        """Whether a cue is started better from its lock's feedback than at any fixed time."""
        step, share = self.sequence.steps[place], after[place].share
        return step.cue is not None and share is not None and (
            share < self.settings.cue_share_least)

    def rails_through(self, offsets: Mapping[int, float]) -> tuple[RailLowest, ...]:
        """The lowest volts of each rail at the commands of its pulsed locks."""
        found: dict[str, RailLowest] = {}
        for lock, place in self.places().items():
            model = self.models[lock]
            rail = self.rails.get(model.supply)
            if model.magnet or rail is None:
                continue
            load = self.load_at(model.supply, offsets[place], offsets, rail.low_volts)
            volts = (None if load is None or rail.low_volts is None
                     else rail.low_volts / (1 + load))
            one = RailLowest(model.supply, volts, offsets[place], rail.window_volts)
            other = found.get(model.supply)
            if other is None or (other.lowest_volts is not None and (
                    volts is None or volts < other.lowest_volts)):
                found[model.supply] = one
        return tuple(found.values())


def _known(model: LockModel) -> bool:
    return bool(model.points_ms) and not model.obstacle and model.kind != "door"
