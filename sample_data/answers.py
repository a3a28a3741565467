"""What each command did: released when, held how long, current for how long.

Faults act here on friction, gap, residual field, resistance and on what people do;
:mod:`remanence.sample_data.physics` turns that into latencies.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from remanence.sample_data import physics
from remanence.sample_data.faults import amount
from remanence.sample_data.games import SECOND, Commands
from remanence.shared.venue import Lock, Venue

Reals = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

POLL_US = {"ground": 1_000, "upper": 5_000, "yard": 10_000}
"""How often each controller looks at its inputs; its stamps lie on that grid."""

SOURCE_OHMS = {"main-12": 0.12, "tower-24": 0.12, "coach-12": 0.15}
SET_VOLTS = {"main-12": 12.12, "tower-24": 24.15, "coach-12": 12.45}
DOOR_OFF_S = 10


@dataclass
class Rows:
    """Actuations as they truly were. Times in microseconds UTC, others in ms, V, A.

    ``open_at`` is 0 where it did not release; ``close_at`` 0 where it stayed open.
    ``hand_at`` is when staff opened it by hand after it would not; else 0.
    """

    lock: Whole
    at: Whole
    off_at: Whole
    open_at: Whole
    close_at: Whole
    hand_at: Whole
    check: Flags
    attempt: Whole
    already_open: Flags
    amps: Reals
    conducts_ms: Reals
    electrical_ms: Reals

    def take(self, which: npt.NDArray[np.bool_] | Whole) -> Rows:
        """Some of the rows."""
        return Rows(**{f.name: getattr(self, f.name)[which] for f in fields(self)})

    def and_then(self, other: Rows) -> Rows:
        """Both."""
        return Rows(**{
            f.name: np.concatenate([getattr(self, f.name), getattr(other, f.name)])
            for f in fields(self)
        })


@dataclass(frozen=True)
class Surroundings:
    """What the house as a whole does to its locks, day by day from the first."""

    day_zero: int
    end: int
    ambient: Reals
    rail_volts: dict[str, Reals]

    def day(self, at: Whole) -> Whole:
        """Days since the first."""
        last = len(self.ambient) - 1
        return np.clip((at - self.day_zero) // (86_400 * SECOND), 0, last)

    def days_before_end(self, at: Whole) -> Reals:
        """Days to the last, 0 on the last day itself."""
        return np.ceil((self.end - at) / (86_400 * SECOND)) - 1.0

    def kelvin_over_20(self, at: Whole) -> Reals:
        """Air in the rooms: the season, and warmer in the afternoon."""
        hour = (at // SECOND % 86_400) / 3600.0
        return self.ambient[self.day(at)] + 1.5 * np.sin((hour - 9.0) / 24.0 * 2 * np.pi)


def idle_volts(around: Surroundings, rail: str, at: Whole) -> Reals:
    """The rail with every magnet on and no latch drawing."""
    before_end = around.days_before_end(at)
    hour = (at // SECOND % 86_400) / 3600.0
    low = amount(rail, "low-volts", before_end)
    tired = 0.2 * np.clip((hour - 8.0) / 13.0, 0, 1) if rail == "coach-12" else 0.0
    return SET_VOLTS[rail] + around.rail_volts[rail][around.day(at)] - low - tired


def source_ohms(around: Surroundings, rail: str, at: Whole) -> Reals:
    """The rail's source resistance, bad joints and all."""
    return SOURCE_OHMS[rail] + amount(rail, "joint", around.days_before_end(at))


def answer(
    rng: np.random.Generator, venue: Venue, around: Surroundings, asked: Commands
) -> Rows:
    """Work out what every command did, with the retries that followed.

    Returns
    -------
    Rows
        Sorted by lock and time.
    """
    parts = []
    for index, lock in enumerate(venue.locks):
        mine = asked.lock == index
        lock_rng = np.random.default_rng(rng.integers(2**63))
        one = Commands(asked.lock[mine], asked.at[mine], asked.close_at[mine], asked.check[mine])
        rows = _one_lock(lock_rng, lock, around, one)
        rows.lock[:] = index
        parts.append(rows)
    rows = parts[0]
    for part in parts[1:]:
        rows = rows.and_then(part)
    order = np.lexsort((rows.at, rows.lock))
    return rows.take(order)


def _one_lock(
    rng: np.random.Generator, lock: Lock, around: Surroundings, asked: Commands
) -> Rows:
    step = POLL_US[lock.command_controller]
    at = asked.at // step * step
    act = _PulsedLock(rng, lock, around) if lock.pulsed else _HeldLock(rng, lock, around)
    rows = act.rows(at, asked.close_at, asked.check, np.ones(len(at), np.int64))
    rows = _left_open(rng, lock, around, rows)
    everything, last = rows, rows
    for attempt in (2, 3):
        failed = (last.open_at == 0) & ~last.already_open
        if not lock.pulsed or not failed.any():
            break
        missed = last.take(failed)
        wait = rng.integers(1_200_000, 1_260_000, len(missed.at)) if lock.contact else (
            rng.integers(4 * SECOND, 9 * SECOND, len(missed.at))
        )
        again = (missed.off_at + wait) // step * step
        numbers = np.full(len(again), attempt, np.int64)
        close = np.maximum(missed.close_at, again + 8 * SECOND)
        retried = act.rows(again, close, missed.check, numbers)
        # What was left open stays with the last try.
        everything.close_at[np.isin(everything.at, missed.at)] = 0
        everything, last = everything.and_then(retried), retried
    failed = (last.open_at == 0) & ~last.already_open
    hand = last.at + rng.integers(20, 60, len(last.at)) * SECOND
    still = np.isin(everything.at, last.at[failed])
    everything.hand_at[still] = np.sort(hand[failed])[: still.sum()] if still.any() else 0
    return everything


def _left_open(
    rng: np.random.Generator, lock: Lock, around: Surroundings, rows: Rows
) -> Rows:
    """Some are not shut again at the reset; the next command finds them open."""
    if lock.is_magnet or lock.fail_safe:
        return rows
    often = 0.004 + amount(lock.id, "left-open", around.days_before_end(rows.at))
    left = (rng.random(len(rows.at)) < often) & ~rows.check
    left[-1:] = False
    found = np.concatenate([[False], left[:-1]])
    amps = np.where(found & lock.self_cut, 0.0, rows.amps)
    rows = replace(
        rows, already_open=found, amps=amps,
        open_at=np.where(found, 0, rows.open_at), close_at=np.where(left, 0, rows.close_at),
    )
    # One that was meant to be left open must have opened in the first place.
    unopened = (rows.open_at == 0) & ~found & (rows.close_at == 0)
    if unopened.any():
        rows.close_at[unopened] = rows.at[unopened] + 60 * SECOND
        rows.already_open[np.flatnonzero(unopened) + 1] = False
    return rows


class _PulsedLock:
    """A latch, bolt or strike: the coil pulls the catch."""

    def __init__(self, rng: np.random.Generator, lock: Lock, around: Surroundings) -> None:
        self.rng, self.lock, self.around = rng, lock, around
        days = len(around.ambient)
        self.stall_share = float(np.clip(rng.normal(0.71, 0.025), 0.65, 0.76))
        self.electrical = 10.0 * float(np.exp(rng.normal(0, 0.12)))
        self.travel = 5.0 * float(np.exp(rng.normal(0, 0.12)))
        if lock.mechanism == "bolt":
            self.electrical, self.travel = self.electrical * 1.6, self.travel * 2.0
        self.scatter = float(rng.uniform(0.018, 0.032))
        self.mood = physics.wander(rng, days, 0.6, 0.008)
        self.source_mood = rng.normal(0, 0.01)

    def pulse_ms(self, at: Whole, check: Flags) -> Reals:
        """What the program and the people at the button make of it."""
        lock, before_end = self.lock, self.around.days_before_end(at)
        usual = {"bolt": 320.0, "strike": 900.0}.get(lock.mechanism, 240.0)
        pulse = np.full(len(at), usual)
        if lock.id == "tea-caddy":  # the program was changed; nothing is wrong with the lock
            pulse = np.where(before_end < 63, 360.0, pulse)
        short = amount(lock.id, "pulse-ms", before_end)
        pulse = np.where(short > 0, short, pulse)
        held = self.rng.random(len(at)) < amount(lock.id, "held-button", before_end)
        seconds = self.rng.uniform(4_000.0, 25_000.0, len(at))
        step = POLL_US[lock.command_controller] / 1e3
        return np.ceil(np.where(held & ~check, seconds, pulse) / step) * step

    def rows(self, at: Whole, close_at: Whole, check: Flags, attempt: Whole) -> Rows:
        """Each command's answer."""
        lock, around, rng, count = self.lock, self.around, self.rng, len(at)
        before_end = around.days_before_end(at)
        kelvin = around.kelvin_over_20(at) + 2.0
        shorted = amount(lock.id, "shorted-turns", before_end)
        ohms = (lock.ohms or 10.0) * physics.warm(kelvin) * (1.0 - shorted)
        supply = idle_volts(around, lock.supply, at) + rng.normal(0, 0.01, count)
        loop = source_ohms(around, lock.supply, at) + _cable_ohms(lock)
        amps = supply / (ohms + loop)
        broken = amount(lock.id, "open-coil", before_end) > 0
        amps = np.where(broken, 0.0, amps)
        friction = 1.0 + amount(lock.id, "friction", before_end)
        friction += self.mood[around.day(at)] + rng.normal(0, self.scatter, count)
        friction += np.where(check, rng.uniform(0.01, 0.03, count), 0.0)
        # Players rest a hand on it now and then.
        friction += np.where(rng.random(count) < 0.12, rng.gamma(2.0, 0.012, count), 0.0) * ~check
        stall = self.stall_share * lock.rated_volts * physics.warm(kelvin) * friction
        latency = physics.pull_in_ms(
            amps * ohms, stall, np.full(count, self.electrical), np.full(count, self.travel)
        )
        pulse = self.pulse_ms(at, check)
        leaning = (rng.random(count) < amount(lock.id, "lean", before_end)) & ~check
        latency = np.where(leaning, latency + rng.uniform(30.0, 420.0, count), latency)
        jammed = rng.random(count) < 0.001 + amount(lock.id, "jam", before_end)
        latency = np.where(jammed | broken, np.inf, latency)
        opened = latency < pulse - 1.0
        conducts = np.where(opened & lock.self_cut, latency, pulse)
        failed_cut = amount(lock.id, "self-cut", before_end) > 0
        conducts = np.where(failed_cut, pulse, conducts)
        finite = np.where(opened, latency, 0.0)
        return Rows(
            lock=np.zeros(count, np.int64), at=at,
            off_at=at + (pulse * 1e3).astype(np.int64),
            open_at=np.where(opened, at + (finite * 1e3).astype(np.int64), 0),
            close_at=close_at.copy(), hand_at=np.zeros(count, np.int64), check=check,
            attempt=attempt, already_open=np.zeros(count, bool), amps=amps,
            conducts_ms=conducts, electrical_ms=np.full(count, self.electrical),
        )


class _HeldLock:
    """A magnet, or a bolt that power holds: it goes when the flux has decayed."""

    def __init__(self, rng: np.random.Generator, lock: Lock, around: Surroundings) -> None:
        self.rng, self.lock, self.around = rng, lock, around
        days = len(around.ambient)
        large = lock.is_magnet and (lock.amps or 0.0) * lock.rated_volts > 4.0
        self.decay = (170.0 if large else 28.0) * float(np.exp(rng.normal(0, 0.18)))
        if lock.suppression == "tvs":
            self.decay *= 0.25
        self.threshold = (0.085 if large else 0.25) * float(np.exp(rng.normal(0, 0.1)))
        self.scatter = float(rng.uniform(0.05, 0.10))
        self.mood = physics.wander(rng, days, 0.6, 0.015)

    def rows(self, at: Whole, close_at: Whole, check: Flags, attempt: Whole) -> Rows:
        """Each command's answer."""
        lock, around, rng, count = self.lock, self.around, self.rng, len(at)
        before_end = around.days_before_end(at)
        kelvin = around.kelvin_over_20(at) + 12.0
        gap = amount(lock.id, "gap", before_end)
        open_diode = amount(lock.id, "diode", before_end) > 0
        decay = self.decay / physics.warm(kelvin) * (1.0 - 0.6 * gap)
        decay = np.where(open_diode, 22.0, decay)
        load = np.exp(self.mood[around.day(at)] + rng.normal(0, self.scatter, count))
        threshold = np.minimum(self.threshold * (1.0 + 0.9 * gap) * load, 0.9)
        residual = amount(lock.id, "residual", before_end)
        residual = residual * np.exp(rng.normal(0, 0.25, count))
        # Where the residual field alone would hold, someone pulls in the end.
        pulled = physics.drop_ms(decay, threshold, np.zeros(count)) * rng.uniform(3, 6, count)
        latency = np.minimum(physics.drop_ms(decay, threshold, residual), pulled)
        if lock.contact_senses == "door" and lock.contact:
            latency = latency + 350.0 * np.exp(rng.normal(0, 0.5, count))
        latency = np.where(rng.random(count) < 1e-4, np.inf, latency)
        ohms = (lock.ohms or 24.0) * physics.warm(kelvin)
        amps = idle_volts(around, lock.supply, at) / (ohms + _cable_ohms(lock))
        on_again = close_at.copy()
        if lock.on_way_out:
            step = POLL_US[lock.command_controller]
            on_again = at + DOOR_OFF_S * SECOND + rng.integers(0, 4, count) * step
        opened = (latency * 1e3 < on_again - at) & np.isfinite(latency)
        finite = np.where(opened, latency, 0.0)
        bonds = on_again + rng.integers(60_000, 200_000, count)
        if lock.on_way_out:
            back = at + (rng.uniform(3.5, 14.0, count) * SECOND).astype(np.int64)
            bonds = np.maximum(back, bonds)
        return Rows(
            lock=np.zeros(count, np.int64), at=at, off_at=on_again,
            open_at=np.where(opened, at + (finite * 1e3).astype(np.int64), 0),
            close_at=bonds, hand_at=np.zeros(count, np.int64), check=check, attempt=attempt,
            already_open=np.zeros(count, bool), amps=amps,
            conducts_ms=(on_again - at) / 1e3, electrical_ms=np.full(count, 60.0),
        )


def _cable_ohms(lock: Lock) -> float:
    """There and back in copper, 0.0172 ohm mm2 per metre."""
    square_mm = lock.cable_mm2 or (0.518 if lock.cable_awg == 20 else 0.75)
    return 2 * 0.0172 * (lock.cable_metres or 0.0) / square_mm
