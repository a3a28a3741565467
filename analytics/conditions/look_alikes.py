"""Which condition accounts for which other one, so that a fault is said once.

Read a line as: where the first is found, the others of the same lock are its
effects (or its look-alikes) and are withheld. Trade knowledge: fingerprints of
failure modes, without published source.
"""

from __future__ import annotations

from collections.abc import Mapping

ACCOUNTS_FOR: Mapping[str, tuple[str, ...]] = {
    # A feedback that says the opposite makes every outcome wrong.
    "contact-inverted": (
        "no-release", "not-reclosed", "contact-stuck", "sticking-catch", "slow-drop",
        "weakening-hold", "opened-unpowered", "loaded-catch", "short-pulse", "coil-open",
        "crossed-channels",
    ),
    # Its command moves another lock: it seems dead, and opens by itself.
    "crossed-channels": (
        "no-release", "opened-unpowered", "contact-stuck", "not-reclosed", "weakening-hold",
        "sticking-catch", "slow-drop", "loaded-catch", "short-pulse", "coil-open",
    ),
    # No current, no release; people then open it by hand.
    "coil-open": (
        "no-release", "contact-stuck", "sticking-catch", "loaded-catch", "short-pulse",
        "opened-unpowered", "not-reclosed", "slow-drop", "self-cut-failed",
    ),
    # The lock works; only its feedback does not.
    "contact-stuck": (
        "no-release", "not-reclosed", "sticking-catch", "slow-drop", "loaded-catch",
        "short-pulse", "weakening-hold", "opened-unpowered",
    ),
    "stuck-energised": (
        "over-long-energising", "self-cut-failed", "hot-coil", "slow-drop", "no-release",
        "not-reclosed", "contact-stuck",
    ),
    # Read off the rail, a coil that is not cut looks like a lock that did not open.
    "self-cut-failed": (
        "over-long-energising", "stuck-energised", "not-reclosed", "no-release",
        "sticking-catch", "short-pulse",
    ),
    # A battery that runs down softens too.
    "battery-decline": ("supply-sag",),
    # A joint that has gone bad loses volts to the held magnets too.
    "supply-sag": ("low-supply",),
    # Turns that are shorted pull less, and later.
    "coil-current-high": ("sticking-catch", "short-pulse"),
    # Without its diode a magnet lets go sooner; its spikes tell.
    "missing-suppression": ("weakening-hold", "slow-drop"),
    # The program's pulse, not the lock.
    "short-pulse": ("no-release", "loaded-catch"),
    # A catch that sticks also fails at times, and in the end always.
    "sticking-catch": ("no-release", "short-pulse"),
    "slow-drop": ("no-release", "short-pulse"),
    "loaded-catch": ("no-release", "opened-unpowered"),
    # A weak hold is pulled open, and stands open.
    "weakening-hold": ("not-reclosed",),
    "not-reclosed": ("opened-unpowered",),
}

PASSES_ON_URGENCY = {
    ("sticking-catch", "no-release"), ("loaded-catch", "no-release"),
    ("slow-drop", "no-release"), ("coil-open", "no-release"), ("short-pulse", "no-release"),
    ("stuck-energised", "hot-coil"), ("over-long-energising", "hot-coil"),
    ("crossed-channels", "no-release"), ("supply-sag", "low-supply"),
}
"""The withheld one is real, and its urgency stays with what causes it."""

SUPPLY_ACCOUNTS_FOR: Mapping[str, tuple[str, ...]] = {
    # A magnet's release does not depend on volts; its hold does.
    "low-supply": ("sticking-catch", "no-release", "loaded-catch", "short-pulse"),
    "supply-sag": ("sticking-catch", "no-release", "loaded-catch", "short-pulse"),
    "battery-decline": ("sticking-catch", "no-release", "loaded-catch", "short-pulse"),
}
