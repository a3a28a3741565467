"""What in the venue file itself can hurt someone, before any log is looked at.

Only wiring and ratings are judged here, by plain arithmetic on what the file
states; a figure that the file leaves out is never guessed. Whether a fitting is
lawful is for the local codes and licensed people to say.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from remanence.analytics.conditions.evidence import finding
from remanence.analytics.history import History
from remanence.shared.findings import Evidence, Finding, rank
from remanence.shared.venue import Lock, Supply, Venue

_WAY_OUT_CHECK = (
    "Keep people from behind it until it is changed. A way out must open by hand, without key, "
    "knowledge or power; show how this one does, or fit a fail-safe lock and prove it by cutting "
    "the power. Local codes and licensed people decide."
)
_VOLTS_CHECK = (
    "Isolate the supply before you touch anything. Read the rated volts on the coil's label, "
    "measure the rail with nothing on, and put the venue file or the wiring right. A coil on too "
    "many volts runs hot enough to burn skin."
)
_HELD_CHECK = (
    "Isolate the supply and let the coil cool before you touch it: it may burn. Read on the label "
    "whether it is made for continuous current (100 % duty); if not, fit one that is."
)
_SUM_CHECK = (
    "Measure the rail's current with every magnet held and compare it with the supply's label; "
    "then feed some of them from another supply. Test the release of each by cutting the power."
)
_BATTERY_CHECK = (
    "Cut the mains and see which ways out stay held; then press the emergency stop and give the "
    "fire signal: each of them must drop every lock by wiring, with the battery in place."
)
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
    says : str
        What to look at.
    """

    lock: str
    line: int
    says: str


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

    def note(lock: Lock, says: str) -> None:
        notes.append(FittingNote(lock.id, lock.line, says))

    for lock in venue.locks:
        if lock.pulsed and lock.max_on_ms is None and lock.duty_percent is None:
            note(lock, "no max_on_ms and no duty_percent: it is taken to bear continuous current, "
                       "so that a held button or a welded relay cannot be found; the label says "
                       "how long it may be on")
        if lock.on_way_out and lock.contact is None:
            note(lock, "on a way out and without feedback: no log can show that it let go; the "
                       "release test by hand is all there is")
    return notes


@dataclass(frozen=True)
class _Fault:
    urgency: str
    says: str
    check: str
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True)
class _Held:
    said_of: str
    amps: float
    count: int
    unknown: int


def _one_finding(lock: Lock, faults: list[_Fault]) -> Finding:
    faults = sorted(faults, key=lambda fault: ("now", "week", "plan", "watch").index(fault.urgency))
    built = finding(
        lock.id, "unsafe-fitting", faults[0].urgency, 0.999,
        says=" ".join(fault.says for fault in faults),
        evidence=[item for fault in faults for item in fault.evidence],
    )
    return Finding(**{**built.__dict__, "check": faults[0].check})


def _fail_secure_doorway(lock: Lock) -> list[_Fault]:
    if not (lock.on_way_out and lock.pulsed):
        return []
    return [_Fault(
        "now",
        f"{lock.id} guards a doorway and stays locked when power is lost (released by power-on): "
        "it can hold people in.",
        _WAY_OUT_CHECK,
    )]


def _volts(lock: Lock, supply: Supply, venue: Venue) -> list[_Fault]:
    ratio = supply.rated_volts / lock.rated_volts
    evidence = (Evidence("rail's rated volts over the coil's", 100 * ratio, "%"),)
    rail = f"{supply.rated_volts:g} V rail {supply.id}"
    if ratio > venue.limits.supply_high_percent / 100:
        gravest = ratio >= _HEAT_AT_FULL_OVERLOAD
        held = not lock.pulsed
        return [_Fault(
            "now" if gravest and held else "week",
            f"{lock.id} has a {lock.rated_volts:g} V coil on the {rail}: it takes about "
            f"{ratio**2:.1f} times its rated power and can burn.",
            _VOLTS_CHECK, evidence,
        )]
    if ratio < venue.limits.supply_loaded_percent / 100 and not lock.pulsed:
        return [_Fault(
            "plan",
            f"{lock.id} has a {lock.rated_volts:g} V coil on the {rail}: held with "
            f"{100 * ratio:.0f} % of its volts, it holds less than it is rated for.",
            _VOLTS_CHECK, evidence,
        )]
    return []


def _held_without_rating(lock: Lock) -> list[_Fault]:
    if lock.pulsed or lock.continuous:
        return []
    rating = (f"{lock.max_on_ms / 1000:g} s" if lock.max_on_ms is not None
              else f"{lock.duty_percent:g} % duty")
    return [_Fault(
        "week",
        f"{lock.id} is held by current for as long as it is locked, but rated for {rating}: "
        "its coil overheats.",
        _HELD_CHECK,
    )]


def _held_from_battery(lock: Lock, supply: Supply) -> list[_Fault]:
    if not (lock.on_way_out and lock.fail_safe and supply.source == "battery"):
        return []
    return [_Fault(
        "watch",
        f"{lock.id} is held from the battery of {supply.id}: it does not drop when the mains "
        "fail, so emergency stop and fire signal must cut this rail themselves.",
        _BATTERY_CHECK,
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
    unknown = f" ({held.unknown} more state no current)" if held.unknown else ""
    return _Fault(
        "plan",
        f"The {held.count} locks that {supply.id} holds draw {held.amps:.1f} A together{unknown}, "
        f"its supply gives {supply.rated_amps:g} A: it can drop all of them at once. {lock.id} "
        "draws the most.",
        _SUM_CHECK,
        (Evidence("current of all held locks of the rail", held.amps, "A", n=held.count,
                  before=supply.rated_amps),),
    )


def _of_history(history: History) -> list[Finding]:
    return unsafe_fittings(history.venue)


CANDIDATES: tuple[Callable[[History], list[Finding]], ...] = (_of_history,)
