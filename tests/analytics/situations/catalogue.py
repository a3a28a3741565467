"""All situations: importing this module enters them into the list."""

from tests.analytics.situations import (
    changed_venue,
    exits,
    from_first_day,
    lasting,
    look_alikes,
    lost_lines,
    trade,
)

__all__ = [
    "changed_venue", "exits", "from_first_day", "lasting", "look_alikes", "lost_lines", "trade",
]
