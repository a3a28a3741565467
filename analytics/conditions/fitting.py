"""What in the venue file itself can hurt someone, before any log is looked at.

Only wiring and ratings are judged here, by plain arithmetic on what the file
states; a figure that the file leaves out is never guessed. Whether a fitting is
lawful is for the local codes and licensed people to say.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from remanence.analytics.conditions.condition import Condition, finding
from remanence.shared.findings import Amount, Evidence, Finding, Sentence, rank, say
from remanence.shared.venue import Lock, Supply, Venue

if TYPE_CHECKING:
    from remanence.analytics.history import History

_PAPER_SCORE = 0.999
"""What the venue file states is as sure as the file: only a slip in it is left."""

_HEAT_AT_FULL_OVERLOAD = 1.5
"""Volts over rated at which a coil takes more than twice its rated power (P ~ V squared)."""


def unsafe_fittings(venue: Venue) -> list[Finding]:
    """What is unsafe in the venue file, most urgent first.

    Parameters
    ----------
    venue : Venue
        The checked model; limits ``supply_high_percent`` and
        ``supply_loaded_percent`` are used.

    Returns
    -------
    list of Finding
        Condition ``unsafe-fitting``, at most one for each lock: what is gravest
        decides the urgency, everything is in the words. ``now``: a fail-secure
        lock guards a doorway, or a held coil gets more than twice its rated power.
        ``week``: a coil gets more volts than it bears, or is held on though it is
        not made for it. ``plan``: the held coils of a rail draw more than its
        supply gives. ``watch``: a doorway held from a battery.

    Notes
    -----
    A fail-secure lock on a way out is named whatever else is true of it: a person
    must never be held by one. Rated volts and their window: UL 294, 6th ed. (2013),
    36.1 (85 to 110 % of rated).
    """
    found = []
    overloaded = {supply.id: held for supply in venue.supplies
                  if (held := _held_beyond_rating(venue, supply))}
    for lock in venue.locks:
        supply = venue.supplies_by_id[lock.supply]
        faults = [
            *_fail_secure_doorway(lock), *_volts(lock, supply, venue),
            *_held_without_rating(lock), *_held_from_battery(lock, supply),
        ]
        if lock.supply in overloaded and overloaded[lock.supply].said_of == lock.id:
            faults.append(_overload_fault(lock, supply, overloaded[lock.supply]))
        if faults:
            found.append(_one_finding(lock, faults))
    return sorted(found, key=rank)


@dataclass(frozen=True)
class FittingNote:
    """Something to look at in the venue file that hurts nobody as it stands.

    Attributes
    ----------
    lock : str
        Its id.
    line : int
        Line of its block in the venue file.
    id : str
        Names what to look at: ``note.ID`` of the pages' words.
    """

    lock: str
    line: int
    id: str


def fitting_notes(venue: Venue) -> list[FittingNote]:
    """Things for ``check`` to mention that are no findings, in the venue file's order.

    Parameters
    ----------
    venue : Venue
        The checked model.

    Returns
    -------
    list of FittingNote
        A pulsed lock without ``max_on_ms`` and ``duty_percent`` (taken as made for
        continuous current, so a held button cannot be found); a lock on a way out
        without feedback.
    """
    notes = []

    for lock in venue.locks:
        if lock.pulsed and lock.max_on_ms is None and lock.duty_percent is None:
            notes.append(FittingNote(lock.id, lock.line, "no-rating"))
        if lock.on_way_out and lock.contact is None:
            notes.append(FittingNote(lock.id, lock.line, "exit-without-feedback"))
    return notes


@dataclass(frozen=True)
class _Fault:
    reason: str
    urgency: str
    says: tuple[Sentence, ...]
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True)
class _Held:
    said_of: str
    amps: float
    count: int
    unknown: int


def _one_finding(lock: Lock, faults: list[_Fault]) -> Finding:
    faults = sorted(faults, key=lambda fault: ("now", "week", "plan", "watch").index(fault.urgency))
    return finding(
        lock.id, "unsafe-fitting", faults[0].urgency, _PAPER_SCORE,
        says=[said for fault in faults for said in fault.says],
        evidence=[item for fault in faults for item in fault.evidence],
        extra={"reasons": [fault.reason for fault in faults]},
    )


def _fail_secure_doorway(lock: Lock) -> list[_Fault]:
    if not (lock.on_way_out and lock.pulsed):
        return []
    return [_Fault(
        "way_out", "now", (say("can-hold-people"),),
    )]


def _volts(lock: Lock, supply: Supply, venue: Venue) -> list[_Fault]:
    ratio = supply.rated_volts / lock.rated_volts
    evidence = (Evidence("rail-s-rated-volts-over-the-coil-s", 100 * ratio, "%"),)
    coil = {"coil": Amount(lock.rated_volts, "V"), "rail": Amount(supply.rated_volts, "V"),
            "supply": supply.id}
    if ratio > venue.limits.supply_high_percent / 100:
        gravest = ratio >= _HEAT_AT_FULL_OVERLOAD
        held = not lock.pulsed
        return [_Fault(
            "volts", "now" if gravest and held else "week",
            (say("coil-overvolts", times=Amount(ratio**2, ""), **coil),), evidence,
        )]
    if ratio < venue.limits.supply_loaded_percent / 100 and not lock.pulsed:
        return [_Fault(
            "volts", "plan", (say("coil-undervolts", percent=Amount(100 * ratio, "%"), **coil),),
            evidence,
        )]
    return []


def _held_without_rating(lock: Lock) -> list[_Fault]:
    if lock.pulsed or lock.continuous:
        return []
    rated = (say("held-unrated-time", longest=Amount(lock.max_on_ms / 1000, "s"))
             if lock.max_on_ms is not None
             else say("held-unrated-duty", duty=Amount(lock.duty_percent or 0.0, "%")))
    return [_Fault(
        "held", "week", (rated,),
    )]


def _held_from_battery(lock: Lock, supply: Supply) -> list[_Fault]:
    if not (lock.on_way_out and lock.fail_safe and supply.source == "battery"):
        return []
    return [_Fault(
        "battery", "watch", (say("held-from-battery", supply=supply.id),),
    )]


def _held_beyond_rating(venue: Venue, supply: Supply) -> _Held | None:
    held = [lock for lock in venue.locks_on(supply.id) if lock.fail_safe]
    known = [(lock.amps * min(1.0, supply.rated_volts / lock.rated_volts), lock.id)
             for lock in held if lock.amps is not None]
    total = sum(amps for amps, _ in known)
    if supply.rated_amps is None or total <= supply.rated_amps:
        return None
    return _Held(max(known)[1], total, len(held), len(held) - len(known))


def _overload_fault(lock: Lock, supply: Supply, held: _Held) -> _Fault:
    rated = Amount(supply.rated_amps or 0.0, "A")
    says = [say("rail-overloaded", supply=supply.id, locks=held.count,
                amps=Amount(held.amps, "A"), rated=rated)]
    if held.unknown:
        says.append(say("amps-unknown", count=held.unknown))
    return _Fault(
        "overload", "plan", tuple(says),
        (Evidence("current-of-all-held-locks-of-the-rail", held.amps, "A", n=held.count,
                  before=supply.rated_amps),),
    )


def _of_history(history: History) -> list[Finding]:
    return unsafe_fittings(history.venue)


UNSAFE_FITTING = Condition(
    "unsafe-fitting", (_of_history,),
    ("rail-s-rated-volts-over-the-coil-s", "current-of-all-held-locks-of-the-rail"), certain=True,
)
