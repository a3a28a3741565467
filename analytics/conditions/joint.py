"""The condition coil-current-low: a coil draws less than it did, as ohms are in its circuit."""

from __future__ import annotations

import numpy as np

from remanence.analytics.conditions.condition import Condition, finding
from remanence.analytics.conditions.evidence import raised_on_way_out
from remanence.analytics.conditions.own_current import OwnCurrent, own_currents
from remanence.analytics.history import History
from remanence.shared.findings import Amount, Finding, say

_LOW, _FAR_LOW = np.log([0.85, 0.80])
"""Falls of a coil's own current: to be told, and far beyond what another coil or a warm one draws
less. Coils are made to 5 to 10 %, and 40 K of warmth takes off 14 % (calculated: copper)."""


def coil_current_low(history: History) -> list[Finding]:
    """Coils that draw less than they did, less the rail's own change.

    A joint, plug or wire of some ohms takes current and pull from the coil: it is slower for it,
    and looks like a catch that sticks, which would draw what it drew. A magnet, one of whose
    windings may be open too, holds less for it, and lets go sooner. A coil that cuts itself is
    left out, as how long its load lasts changes how deep it is read.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week; ``amps`` and ``sag_volts`` of its
        actuations tell.

    Returns
    -------
    list of Finding
        ``coil-current-low``: from 15 % down.
    """
    return [_fallen(item) for item in own_currents(history).changed
            if not item.lock.self_cut and item.change.shift <= _LOW]


def _fallen(item: OwnCurrent) -> Finding:
    lock, change = item.lock, item.change
    score = item.score(float(_LOW))
    far = change.shift <= _FAR_LOW
    since, low, high = change.dates()
    ratio = float(np.exp(item.against[0]))
    # A magnet that holds less keeps nobody in.
    urgency = "plan" if not far else raised_on_way_out("week", lock) if lock.pulsed else "week"
    return finding(
        lock.id, "coil-current-low", urgency, score,
        since=since, since_low=low, since_high=high,
        says=[
            say("draws-less", percent=Amount(100 * (1 - ratio), "%")),
            *([say("ohms-in-circuit", more=Amount(lock.ohms * (1 / ratio - 1), "ohm"))]
              if lock.ohms else []),
            say("bad-joint-hot"),
        ],
        evidence=[item.evidence()],
        not_excluded=("supply-sag",) if item.alone else
        ("hot-coil",) if lock.pulsed else ("one-winding-open",),
    )


COIL_CURRENT_LOW = Condition(
    "coil-current-low", (coil_current_low,),
    ("current-against-its-own-past-rail-s-change-taken-out",),
    # Less current pulls less, and later; in the end not at all. It holds less, too.
    explains=("sticking-catch", "loaded-catch", "no-release", "short-pulse", "contact-stuck",
              "weakening-hold"),
    takes_urgency_of=("no-release",), keeps_in=True,
)
