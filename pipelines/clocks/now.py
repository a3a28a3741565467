"""What time it is, and the latest time that a record can honestly have."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta

from remanence.shared.errors import RemanenceError

AHEAD = timedelta(days=1)
"""A record may be so much later than now: controllers' clocks run ahead, and a time zone that
was read wrongly shifts by half a day at most. Beyond it a time is no clock that runs ahead."""


def stated_now() -> datetime | None:
    """The moment that ``SOURCE_DATE_EPOCH`` states, if it is set.

    Source of the convention: Reproducible Builds, SOURCE_DATE_EPOCH specification.

    Raises
    ------
    RemanenceError
        It is not whole seconds.
    """
    stated = os.environ.get("SOURCE_DATE_EPOCH")
    if stated is None:
        return None
    try:
        return datetime.fromtimestamp(int(stated), UTC)
    except (ValueError, OverflowError, OSError):
        raise RemanenceError(
            f"SOURCE_DATE_EPOCH: found {stated!r}; it must be whole seconds since 1970"
        ) from None


def latest_possible(now: datetime | None = None) -> datetime:
    """The latest time that a record can have: a day after now.

    Parameters
    ----------
    now : datetime, optional
        Default: the machine's clock, or ``SOURCE_DATE_EPOCH`` where that is later (a machine
        whose clock stands behind its logs can be told so).
    """
    if now is None:
        now = datetime.now(UTC)
        now = max(now, stated_now() or now)
    return now + AHEAD
