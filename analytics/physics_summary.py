"""The physics of one week of a venue, ready for its pages: numbers, curves and sentences."""

from __future__ import annotations

from analytics.history import History
from analytics.physics_locks import lock_physics
from analytics.physics_model import PhysicsSummary
from analytics.physics_supplies import supply_physics


def physics_of(history: History) -> PhysicsSummary:
    """What the models of coil, magnet, cable and rail say of this week.

    Parameters
    ----------
    history : History
        Any tables may be empty or thin: what cannot be told is None, and said where a reader
        would ask.

    Returns
    -------
    PhysicsSummary
        By lock and by supply; each with its sentences (``says``), which carry their numbers,
        and curves for figures.
    """
    return PhysicsSummary(lock_physics(history), supply_physics(history))
