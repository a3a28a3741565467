"""The faults of the demo venue, told by how long before the log's last day they began.

Each acts on one quantity of the physics (friction, gap, residual field, coil
resistance, joint resistance, ...); :mod:`remanence.sample_data.physics` makes of it what a
log shows. ``severity`` runs from 0 at the start of a slow fault to 1 on the last day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from remanence.sample_data.truth import Fault

Reals = npt.NDArray[np.float64]


@dataclass(frozen=True)
class PlannedFault:
    """A fault of the demo: ``acts_on`` names the quantity, ``amount`` its size at the end."""

    subject: str
    condition: str
    acts_on: str
    amount: float
    began_days: int
    size: str
    mended_days: int | None = None
    service: tuple[str, str, str] | None = None
    slow: bool = False
    subject_kind: str = "lock"

    def severity(self, days_before_end: Reals) -> Reals:
        """How much of ``amount`` is there, so many days before the end of the log."""
        last = self.mended_days or 0
        there = (days_before_end <= self.began_days) & (
            days_before_end > (-1.0 if self.mended_days is None else self.mended_days)
        )
        if not self.slow:
            return there.astype(np.float64)
        span = max(self.began_days - last, 1)
        return np.where(there, np.clip((self.began_days - days_before_end) / span, 0.0, 1.0), 0.0)

    def told(self, start: date, end: date) -> Fault | None:
        """As the truth file says it; None where it was over before the log starts."""
        until = None if self.mended_days is None else end - timedelta(days=self.mended_days)
        if until is not None and until <= start:
            return None
        since = max(start, end - timedelta(days=self.began_days))
        return Fault(
            self.subject, self.subject_kind, self.condition, since, until,
            "slow" if self.slow else "step", self.size,
        )


DEMO_FAULTS = (
    # Standing on the last day.
    PlannedFault("bench-drawer", "sticking-catch", "friction", 0.23, 75,
                 "friction grows until commands stall", slow=True),
    PlannedFault("mantel-clock", "no-release", "jam", 0.09, 40,
                 "9 % of commands jam; the retry mostly works"),
    PlannedFault("parlour-door", "slow-drop", "residual", 0.042, 60,
                 "residual field grows: lets go later, with a long tail", slow=True),
    PlannedFault("bell-cradle", "weakening-hold", "gap", 0.55, 56,
                 "the gap grows: lets go sooner, opens under a pull", slow=True),
    PlannedFault("writing-desk", "loaded-catch", "lean", 0.35, 10_000,
                 "players lean on it in 35 % of games"),
    PlannedFault("rope-box", "over-long-energising", "held-button", 0.20, 25,
                 "one command in five held for 4 to 25 s"),
    PlannedFault("lathe-hatch", "self-cut-failed", "self-cut", 1.0, 18,
                 "its switch no longer cuts the coil"),
    PlannedFault("cellar-door", "missing-suppression", "diode", 1.0, 22,
                 "the diode is open: an over-voltage at each switch-off, lets go sooner"),
    PlannedFault("wall-safe", "coil-current-high", "shorted-turns", 0.30, 20,
                 "draws 43 % more: a third of the winding shorted"),
    PlannedFault("oil-drawer", "contact-chatter", "bounce", 9.0, 50,
                 "edges after the first grow from 1 or 2 to about 10", slow=True),
    PlannedFault("louvre-panel", "not-reclosed", "left-open", 0.22, 30,
                 "left open after 22 % of the games"),
    PlannedFault("pawl-drawer", "short-pulse", "pulse-ms", 20.0, 16,
                 "pulse cut to 20 ms in the program"),
    PlannedFault("carillon-drum", "opened-unpowered", "falls-open", 0.35, 24,
                 "worn catch: opens by itself in a third of the games"),
    PlannedFault("workshop-entry", "release-test-due", "no-test", 1.0, 13,
                 "last release test 44 days ago; the venue's interval is 31"),
    PlannedFault("tower-stair", "unsafe-fitting", "venue-file", 1.0, 10_000,
                 "a fail-secure strike guards a doorway"),
    PlannedFault("cellar-door", "unsafe-fitting", "venue-file", 1.0, 10_000,
                 "a battery keeps the magnet of a doorway holding when the mains fail"),
    PlannedFault("tower-24", "supply-sag", "joint", 0.42, 28,
                 "a bad joint: 0.54 ohm instead of 0.12", subject_kind="supply"),
    PlannedFault("upper", "log-gap", "gap", 5.0, 1,
                 "five hours of the last Saturday afternoon were not logged",
                 subject_kind="controller"),
    # Mended: none of these is a finding at the end.
    PlannedFault("tool-cabinet", "sticking-catch", "friction", 0.20, 150,
                 "friction grew, then cleaned", mended_days=101, slow=True,
                 service=("cleaned", "", "catch full of plaster dust")),
    PlannedFault("drum-cover", "coil-open", "open-coil", 1.0, 112,
                 "wire broken at the coil, lock replaced", mended_days=108,
                 service=("replaced", "latch-24", "wire broken at the coil")),
    PlannedFault("striker-box", "contact-inverted", "inverted", 1.0, 92,
                 "feedback wired the wrong way round after work on it", mended_days=87,
                 service=("rewired", "", "feedback swapped back")),
    PlannedFault("coal-chute", "crossed-channels", "crossed", 1.0, 73,
                 "its command opened wine-rack after a rewire", mended_days=69,
                 service=("rewired", "", "plugs of coal-chute and wine-rack put right")),
    PlannedFault("wine-rack", "crossed-channels", "crossed", 1.0, 73,
                 "its command opened coal-chute after a rewire", mended_days=69,
                 service=("rewired", "", "plugs of coal-chute and wine-rack put right")),
    PlannedFault("coach-12", "low-supply", "low-volts", 2.1, 128,
                 "charger at fault: 10.3 V idle", mended_days=112, subject_kind="supply"),
    PlannedFault("key-cupboard", "contact-stuck", "frozen", 1.0, 62,
                 "switch lever bent: the feedback did not move", mended_days=57,
                 service=("adjusted", "", "switch lever bent back")),
)


def amount(subject: str, acts_on: str, days_before_end: Reals) -> Reals:
    """How much of ``acts_on`` the demo's faults put on ``subject`` at those days."""
    total = np.zeros_like(days_before_end)
    for fault in DEMO_FAULTS:
        if fault.subject == subject and fault.acts_on == acts_on:
            total += fault.amount * fault.severity(days_before_end)
    return total
