"""What to programme: pulse, waits, cue and groups of every lock, from how long each really takes.

The rows that count are those since each lock was last worked on, at most ``timing_weeks`` back.
Nothing is recommended from a latency that contains a person (a contact on the door), and
nothing without saying what it rests on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from remanence.analytics.history import History, per_lock
from remanence.analytics.physics.source_resistance import latest_resistance
from remanence.analytics.timing.answer import LockAnswer, lock_answer, nearest_offered
from remanence.analytics.timing.borrow import same_part
from remanence.analytics.timing.fit import fit_lock
from remanence.analytics.timing.model import RISKS, TARGETS, LockModel, Settings, TimingRail, key
from remanence.analytics.timing.sample import SAMPLE_READS, Sample, lock_sample
from remanence.analytics.timing.sequence import SequenceAnswer, judge_sequence
from remanence.analytics.timing.together import (
    GroupAnswer,
    JointSpread,
    groups_in_log,
    joint_spread,
    together,
)
from remanence.analytics.timing.volts import exponents
from remanence.shared.limits import Limits
from remanence.shared.venue import Lock, Venue

MEND_RATIO, FEWEST_PEERS = 1.5, 3
"""A lock that needs this many times the middle of its part's other locks is held by something."""

RAIL_TAIL = 0.005
"""The rail's low and high volts leave this share of the readings out at either end: misreadings."""

FEWEST_RAIL_READINGS = 20
"""Fewer rail readings than this say nothing about the range a rail has shown."""


@dataclass(frozen=True)
class Timing:
    """Everything the designer's sheet says.

    Attributes
    ----------
    venue, venue_name : str
        Id and name.
    first_day, last_day : date or None
        They bound the data that were used.
    settings : Settings
        What the answers were asked for.
    rails : dict of str to remanence.analytics.timing.model.TimingRail
        By supply.
    models, answers : tuple of LockModel, tuple of LockAnswer
        One entry per lock, in the venue file's order.
    groups : tuple of GroupAnswer
        Those found in the log.
    sequences : tuple of SequenceAnswer
        Those of the venue file.
    """

    venue: str
    venue_name: str
    first_day: date | None
    last_day: date | None
    settings: Settings
    rails: dict[str, TimingRail]
    models: tuple[LockModel, ...]
    answers: tuple[LockAnswer, ...]
    groups: tuple[GroupAnswer, ...]
    sequences: tuple[SequenceAnswer, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Plain values; the page's script computes from these very numbers.

        Returns
        -------
        dict of str to Any
            Dates as text; ``locks`` holds each model with its ``answer``.
        """
        return {
            "venue": self.venue, "venue_name": self.venue_name,
            "first_day": self.first_day.isoformat() if self.first_day else None,
            "last_day": self.last_day.isoformat() if self.last_day else None,
            "settings": dict(vars(self.settings)),
            "target_keys": [key(target) for target in TARGETS],
            "risk_keys": [key(risk) for risk in RISKS],
            "rails": [dict(vars(rail)) for rail in self.rails.values()],
            "locks": [
                {**model.as_json(), "answer": answer_json(answer)}
                for model, answer in zip(self.models, self.answers, strict=True)
            ],
            "groups": [group_json(group) for group in self.groups],
            "sequences": [sequence_json(item) for item in self.sequences],
        }


def answer_json(answer: LockAnswer) -> dict[str, Any]:
    """A lock's answers as plain values."""
    return {
        "slow_volts": answer.slow_volts, "cue_volts": answer.cue_volts,
        **{name: dict(vars(getattr(answer, name)))
           for name in ("pulse", "wait", "sound", "light")},
    }


def group_json(group: GroupAnswer) -> dict[str, Any]:
    """A group's answers as plain values."""
    values = dict(vars(group))
    values["rails"] = [dict(vars(rail)) for rail in group.rails]
    values["joint"] = dict(vars(group.joint)) if group.joint else None
    values["batches"] = [list(batch) for batch in group.batches]
    for name in ("locks", "left_out", "delays_ms", "starts_ms"):
        values[name] = list(values[name])
    return values


def sequence_json(answer: SequenceAnswer) -> dict[str, Any]:
    """A sequence's answers as plain values."""
    values = dict(vars(answer))
    values["steps"] = [{**vars(item), **vars(item.step)} for item in answer.steps]
    for step in values["steps"]:
        del step["step"]
    values["rails"] = [{**vars(rail), "bears": rail.bears} for rail in answer.rails]
    values["unknown"] = list(answer.unknown)
    return values


def settings_of(limits: Limits) -> Settings:
    """The settings that a venue's limits ask for; target and risk to the nearest offered.

    Parameters
    ----------
    limits : Limits
        Of the venue.

    Returns
    -------
    Settings
        What is not a limit keeps its default.
    """
    return Settings(
        target=nearest_offered(limits.release_target, TARGETS),
        risk=nearest_offered(limits.stuck_risk, RISKS),
        pulse_margin=limits.pulse_margin, magnet_margin=limits.magnet_margin,
        magnet_person_ms=limits.magnet_person_ms, pulse_step_ms=limits.pulse_step_ms,
        duty_cycle_ms=limits.duty_window_s * 1000, usual_pulse_ms=limits.usual_pulse_ms,
        retry_least_ms=limits.retry_least_ms,
        retries_most=int(limits.retries_most), cue_share_least=limits.cue_share_least,
    )


def timing(history: History) -> Timing:
    """Work out what to programme for every lock of the venue.

    Parameters
    ----------
    history : History
        A venue's tables up to the week asked for.

    Returns
    -------
    Timing

    Notes
    -----
    See :mod:`remanence.analytics.timing.tail` for the bounds, :mod:`remanence.analytics.timing.fit`
    for the borrowing, :mod:`remanence.analytics.timing.answer` for what follows from them.
    """
    venue, limits = history.venue, history.venue.limits
    # Each small step costs by the columns it carries along.
    dated = history.dated("actuations").select("day", "weeks_ago", *SAMPLE_READS)
    rows, empty = per_lock(dated), dated.clear()
    samples = {
        lock.id: lock_sample(history, lock, rows.get(lock.id, empty), limits.timing_weeks)
        for lock in venue.locks
    }
    rails = rail_models(history, samples)
    powers = exponents(_parts(venue.locks, samples))
    def fitted(lock: Lock, unfit: frozenset[str]) -> LockModel:
        lenders = [samples[other.id] for other in same_part(lock, venue.locks)
                   if other.id not in unfit]
        model = fit_lock(samples[lock.id], lenders, list(samples.values()), powers,
                         rails.get(lock.supply), limits)
        return _with_sag(model, samples[lock.id], rails.get(lock.supply))

    models = [fitted(lock, frozenset()) for lock in venue.locks]
    models = [_beside_its_part(model, models, venue) for model in models]
    # A lock that is to be mended, or that changed, lends nothing as long as another can.
    unfit = frozenset(model.lock for model in models
                      if model.mend_first or model.changed is not None)
    models = [
        again if model.basis == "borrowed" and unfit.intersection(model.siblings)
        and (again := fitted(venue.locks_by_id[model.lock], unfit)).basis == "borrowed" else model
        for model in models
    ]
    settings = settings_of(limits)
    found = _groups_in_log(history, models)
    models = _shorter_where_asked(venue, models, _groups(found, models, rails, settings))
    answers = tuple(_answer(model, settings, rails) for model in models)
    days = [day for s in samples.values() for day in (s.first_day, s.last_day) if day]
    return Timing(
        venue=venue.id, venue_name=venue.name, first_day=min(days, default=None),
        last_day=max(days, default=None), settings=settings, rails=rails, models=tuple(models),
        answers=answers, groups=_groups(found, models, rails, settings),
        sequences=tuple(judge_sequence(item, {model.lock: model for model in models}, rails,
                                       settings) for item in venue.sequences),
    )


def rail_models(history: History, samples: Mapping[str, Sample]) -> dict[str, TimingRail]:
    """The volts each rail has shown when locks were commanded, and what it drops per ampere."""
    venue = history.venue
    resistance = latest_resistance(history)
    result = {}
    for supply in venue.supplies:
        read = [s.volts for lock in venue.locks_on(supply.id)
                if (s := samples[lock.id]) is not None]
        volts = pl.Series([v for item in read for v in item.tolist()], dtype=pl.Float64)
        volts = volts.filter(volts.is_finite())
        low = typical = high = None
        if volts.len() >= FEWEST_RAIL_READINGS:
            low, typical, high = (
                round(float(volts.quantile(q, "nearest") or 0.0), 3)
                for q in (RAIL_TAIL, 0.5, 1 - RAIL_TAIL)
            )
        fit = resistance.get(supply.id)
        result[supply.id] = TimingRail(
            supply.id, supply.rated_volts, low, typical, high,
            supply.rated_volts * venue.limits.supply_loaded_percent / 100, supply.rated_amps,
            fit.ohms if fit else None, fit.low_ohms if fit else None,
            fit.high_ohms if fit else None,
            sum(lock.amps or 0.0 for lock in venue.locks_on(supply.id) if lock.fail_safe),
        )
    return result


def _parts(locks: Sequence[Lock], samples: Mapping[str, Sample]) -> list[list[Sample]]:
    """Locks of one part together, each lock once."""
    groups: list[list[Sample]] = []
    seen: set[str] = set()
    for lock in locks:
        if lock.id not in seen:
            members = [lock, *same_part(lock, locks)]
            seen.update(member.id for member in members)
            groups.append([samples[member.id] for member in members])
    return groups


def _beside_its_part(model: LockModel, models: Sequence[LockModel], venue: Venue) -> LockModel:
    """Marks a lock that needs far longer than the others of its part: mend it first."""
    locks = venue.locks_by_id
    peers = {other.id for other in same_part(locks[model.lock], venue.locks)}
    own = model.need_ms.get(key(0.99))
    others = [other.need_ms for other in models if other.lock in peers and other.basis == "own"]
    # Judged where it does not hang on one slow release; told at what pulses are programmed for.
    judged, told = ([need for needs in others if (need := needs.get(key(share))) is not None]
                    for share in (0.99, 0.999))
    if model.basis != "own" or own is None or min(len(judged), len(told)) < FEWEST_PEERS:
        return model
    sure = own - (model.resolution_ms or 0.0)  # What coarse polling adds is no fault.
    return replace(model, part_need_ms=float(np.median(told)),
                   mend_first=sure > MEND_RATIO * float(np.median(judged)))


def _with_sag(model: LockModel, sample: Sample, rail: TimingRail | None) -> LockModel:
    """What the lock takes off its rail: as measured, else its amps times the rail's ohms."""
    if model.magnet:
        return model
    if sample.sag_volts is not None:
        return replace(model, sag_volts=max(sample.sag_volts, 0.0))
    if rail is not None and rail.ohms is not None and sample.lock.amps is not None:
        return replace(model, sag_volts=rail.ohms * sample.lock.amps)
    return model


def _answer(model: LockModel, settings: Settings, rails: Mapping[str, TimingRail]) -> LockAnswer:
    rail = rails.get(model.supply)
    return lock_answer(
        model, settings, slow_volts=rail.low_volts if rail else None,
        cue_volts=rail.typical_volts if rail else None,
    )


def _shorter_where_asked(
    venue: Venue, models: Sequence[LockModel], groups: Sequence[GroupAnswer]
) -> list[LockModel]:
    """Marks the locks whose pulse is to be no longer than it need be, and what asks for it."""
    batteries = {supply.id for supply in venue.supplies if supply.source == "battery"}
    crowded = {
        (lock, rail.supply) for group in groups for rail in group.rails if rail.bears is False
        for lock in group.locks
    }
    return [
        replace(model, shorter_for="battery" if model.supply in batteries
                else "rail" if (model.lock, model.supply) in crowded else "")
        for model in models
    ]


def _groups_in_log(
    history: History, models: Sequence[LockModel]
) -> list[tuple[tuple[str, ...], JointSpread]]:
    """The groups that the log shows, and how far apart their locks opened."""
    venue, limits = history.venue, history.venue.limits
    doors = {model.lock for model in models if model.kind in (None, "door")}
    start = history.end - timedelta(weeks=limits.timing_weeks)
    recent = history.actuations.select(
        "lock", "command_time", "attempt", "outcome", "latency_ms")
    known = recent["lock"].is_in(list(venue.locks_by_id)) & (recent["command_time"] >= start)
    found = groups_in_log(
        recent if known.all() else recent.filter(known),
        within_ms=limits.together_within_ms, least=limits.together_least)

    def joint(group: tuple[str, ...], moments: pl.DataFrame) -> JointSpread:
        clocks = {venue.locks_by_id[lock].command_controller for lock in group}
        if len(clocks) == 1 and doors.isdisjoint(group):
            return joint_spread(moments, group)
        return JointSpread(moments["moment"].n_unique(), 0)

    return [(group, joint(group, moments)) for group, moments in found]


def _groups(
    found: Sequence[tuple[tuple[str, ...], JointSpread]], models: Sequence[LockModel],
    rails: Mapping[str, TimingRail], settings: Settings,
) -> tuple[GroupAnswer, ...]:
    by_id = {model.lock: model for model in models}
    volts = {supply: rail.typical_volts for supply, rail in rails.items()}
    low_volts = {supply: rail.low_volts for supply, rail in rails.items()}
    return tuple(
        together([by_id[lock] for lock in group], rails, settings, volts=volts,
                 low_volts=low_volts, joint=joint)
        for group, joint in found)
