"""What the week's findings say of a lock's need of a part: due, worn, or explained without one.

A part is ordered for a cause. A setting, a rail, a habit of people or a switch that tells wrongly
looks like wear in the log, and a new lock would not cure it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from remanence.shared.findings import Finding, rank
from remanence.shared.venue import Lock

NEW_PART = ("coil-open", "coil-current-high", "self-cut-failed")
"""Conditions that the bench mends by fitting a new part (trade practice)."""

WEAR = ("sticking-catch", "slow-drop", "weakening-hold", "no-release")
"""Conditions in which wear shows: drift then tells when a part is due."""

NO_PART = (
    "short-pulse", "loaded-catch", "not-reclosed", "over-long-energising", "hot-coil",
    "contact-stuck", "contact-inverted", "contact-chatter", "crossed-channels",
    "low-supply", "supply-sag", "battery-decline", "clock-fault", "log-gap",
)
"""Conditions that explain late or unanswered commands and need no new lock: a setting, a habit, a
rail or what the log can tell (trade practice)."""


@dataclass(frozen=True)
class Causes:
    """What findings say of one lock; conditions by name, None where nothing is said.

    Attributes
    ----------
    first : str or None
        Its most urgent finding, whatever that is.
    unsafe : bool
        It is not to be used as it is fitted: another lock or wiring is needed, no spare part.
    new_part : str or None
        The finding by which a new part is due.
    score : float
        How sure that finding is.
    wear : str or None
        The finding in which its wear shows.
    no_part, around : str or None
        The finding of the lock, and of its rail or controller, that explains what drift says and
        needs no part. Only where neither of the two above is said.
    """

    first: str | None = None
    unsafe: bool = False
    new_part: str | None = None
    score: float = 0.0
    wear: str | None = None
    no_part: str | None = None
    around: str | None = None


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
    behind = {lock.supply, lock.command_controller}
    near = [f for f in findings if f.subject in behind and f.subject_kind != "lock"]
    grounds = [f for f in own if f.urgency != "watch"]

    def of(names: Sequence[str], among: Sequence[Finding]) -> Finding | None:
        return next((f for f in among if f.condition in names), None)

    due = of(NEW_PART, [f for f in grounds if f.urgency != "plan"])
    worn = of(WEAR, grounds)
    free = due is None and worn is None
    explained = of(NO_PART, grounds) if free else None
    around = of(NO_PART, [f for f in near if f.urgency != "watch"]) if free else None
    return Causes(
        own[0].condition if own else None,
        any(f.condition == "unsafe-fitting" and f.urgency == "now" for f in own),
        due.condition if due else None,
        due.score if due else 0.0, worn.condition if worn else None,
        explained.condition if explained else None, around.condition if around else None,
    )
