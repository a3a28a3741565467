"""Conditions of the feedback and of what opens without its command.

contact-inverted, contact-stuck, crossed-channels, contact-chatter and opened-unpowered; each
stands in a module of its own subject.
"""

from __future__ import annotations

from collections.abc import Callable

from remanence.analytics.conditions.contact_chatter import contact_chatter, opened_unpowered
from remanence.analytics.conditions.contact_wiring import (
    contact_inverted,
    contact_stuck,
    crossed_channels,
)
from remanence.analytics.history import History
from remanence.shared.findings import Finding

CANDIDATES: tuple[Callable[[History], list[Finding]], ...] = (
    contact_inverted, contact_stuck, crossed_channels, contact_chatter, opened_unpowered,
)
