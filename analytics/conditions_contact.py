"""Conditions of the feedback and of what opens without its command.

contact-inverted, contact-stuck, crossed-channels, contact-chatter and opened-unpowered; each
stands in a module of its own subject.
"""

from __future__ import annotations

from collections.abc import Callable

from analytics.contact_conduct import contact_chatter, opened_unpowered
from analytics.contact_wiring import contact_inverted, contact_stuck, crossed_channels
from analytics.history import History
from shared.findings import Finding

CANDIDATES: tuple[Callable[[History], list[Finding]], ...] = (
    contact_inverted, contact_stuck, crossed_channels, contact_chatter, opened_unpowered,
)
