"""Records into actuations and openings, as a chain of small steps on tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.analytics.pairing.carry_over import CarryOver
    from remanence.analytics.pairing.edges import records_of
    from remanence.analytics.pairing.hours import HOUR_US
    from remanence.analytics.pairing.look import LOOKS_BACK_US
    from remanence.analytics.pairing.polarity import decide_votes, votes
    from remanence.analytics.pairing.readings import Key, Readings, Stretch, in_turn
    from remanence.analytics.pairing.span import Span, pair_span
    from remanence.analytics.pairing.tables import with_cuts
    from remanence.analytics.pairing.windows import NEVER
    from remanence.analytics.pairing.wiring import Wiring

__all__ = [
    "CarryOver", "HOUR_US", "Key", "LOOKS_BACK_US", "NEVER", "Readings", "Span",
    "Stretch", "Wiring", "decide_votes", "in_turn", "pair_span", "records_of", "votes", "with_cuts",
]

__getattr__ = on_demand(__name__, {
    "carry_over": ("CarryOver",),
    "edges": ("records_of",),
    "hours": ("HOUR_US",),
    "look": ("LOOKS_BACK_US",),
    "polarity": ("decide_votes", "votes"),
    "readings": ("Key", "Readings", "Stretch", "in_turn"),
    "span": ("Span", "pair_span"),
    "tables": ("with_cuts",),
    "windows": ("NEVER",),
    "wiring": ("Wiring",),
})
