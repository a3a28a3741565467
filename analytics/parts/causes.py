"""What the week's findings say of a lock's need of a part: due, worn, or explained without one.

A part is ordered for a cause. A setting, a rail, a habit of people or a switch that tells wrongly
looks like wear in the log, and a new lock would not cure it. Which condition takes a new lock to
mend, and which explains which, stands with the conditions.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from remanence.analytics.conditions.condition import catalogue
from remanence.shared.findings import Finding, rank
from remanence.shared.venue import Lock

NEW_PART = ("coil-open", "coil-current-high", "self-cut-failed")
"""Conditions by which a new part is due now, and not only when drift meets its limit (trade
practice)."""

WEAR_CAUSE = ("sticking-catch", "slow-drop", "weakening-hold", "no-release")
"""Conditions in which wear shows: drift then tells when a part is due."""


@dataclass(frozen=True)
class Causes:
    """What findings say of one lock; conditions by name, None where nothing is said.

    Attributes
    ----------
    first : str or None
        Its most urgent finding, whatever that is.
    unsafe : bool
        It is not to be used as it is fitted: another lock or wiring is needed, no spare part.
    refit : tuple of str
        What makes another lock or wiring necessary within the week; empty where nothing does.
    new_part : str or None
        The finding by which a new part is due.
    score : float
        How sure that finding is.
    wear : str or None
        The finding in which its wear shows.
    no_part : str or None
        Its most urgent finding, where none of its findings takes a new part to mend.
    explained : str or None
        The finding, of the lock or of its rail, that explains drift and needs no part. Only where
        neither a new part is due nor wear is found.
    """

    first: str | None = None
    unsafe: bool = False
    refit: tuple[str, ...] = ()
    new_part: str | None = None
    score: float = 0.0
    wear: str | None = None
    no_part: str | None = None
    explained: str | None = None


def explains_drift() -> tuple[frozenset[str], frozenset[str]]:
    """Conditions that explain what looks like wear and need no part: of a lock, and of its rail."""
    found = [c for c in catalogue().values() if not c.needs_part]
    return (frozenset(c.name for c in found if set(WEAR_CAUSE) & set(c.explains)),
            frozenset(c.name for c in found if set(WEAR_CAUSE) & set(c.explains_on_locks)))


def causes_of(lock: Lock, findings: Sequence[Finding]) -> Causes:
    """What the findings of a week say of one lock.

    Parameters
    ----------
    lock : Lock
        Whose need is asked for.
    findings : sequence of Finding
        All of the week; those under ``watch`` are no ground for an order, nor against one.

    Returns
    -------
    Causes
        Of several findings of one kind the most urgent.
    """
    own = sorted((f for f in findings if f.subject == lock.id), key=rank)
    grounds = [f for f in own if f.urgency != "watch"]
    rail = [f for f in findings if f.subject_kind == "supply" and f.subject == lock.supply
            and f.urgency != "watch"]

    def first_of(names: Collection[str], among: Sequence[Finding]) -> Finding | None:
        return next((f for f in among if f.condition in names), None)

    due = first_of(NEW_PART, [f for f in grounds if f.urgency != "plan"])
    worn = first_of(WEAR_CAUSE, grounds)
    of_lock, of_rail = explains_drift()
    explained = None
    if due is None and worn is None:
        explained = first_of(of_lock, grounds) or first_of(of_rail, rail)
    known = catalogue()
    takes_part = any(known[f.condition].needs_part for f in grounds if f.condition in known)
    unsafe = [f for f in own if f.condition == "unsafe-fitting" and f.urgency in ("now", "week")]
    return Causes(
        first=own[0].condition if own else None,
        unsafe=any(f.urgency == "now" for f in unsafe),
        refit=tuple(reason for f in unsafe for reason in f.extra.get("reasons", ("other",))),
        new_part=due.condition if due else None, score=due.score if due else 0.0,
        wear=worn.condition if worn else None,
        no_part=grounds[0].condition if grounds and not takes_part else None,
        explained=explained.condition if explained else None,
    )
