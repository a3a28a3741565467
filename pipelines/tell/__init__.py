"""Tell somebody: a week's report in five lines, and what is not to be used, each once.

A message is made out of the newest report (:mod:`.message`), sent by one of three ways
(:mod:`.mail`, :mod:`.webhook`, :mod:`.mqtt`), and what was sent is kept beside the store
(:mod:`.sent`). The dates of release tests and orders go out as a calendar (:mod:`.calendar`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.pipelines.tell.calendar import calendar_of, write_calendar
    from remanence.pipelines.tell.telling import TellOutcome, tell

__all__ = ["TellOutcome", "calendar_of", "tell", "write_calendar"]

__getattr__ = on_demand(__name__, {
    "calendar": ("calendar_of", "write_calendar"),
    "telling": ("TellOutcome", "tell"),
})
