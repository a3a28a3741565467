"""Look at log files of which nobody has said what they are, and propose how to read them.

``sniff.sniff`` is the way in; each format's own reader says whether a file is one of its kind.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.pipelines.sniff.toml_text import quoted
    from remanence.pipelines.sniff.venue_draft import draft_venue

__all__ = [
    "draft_venue", "quoted",
]

__getattr__ = on_demand(__name__, {
    "toml_text": ("quoted",),
    "venue_draft": ("draft_venue",),
})
