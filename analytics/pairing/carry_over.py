"""What one span of pairing leaves to the next, and the same as text.

A row is final once no later record can change it. What is not final at the end of a span, with
every edge since, is carried over and paired again in the next one; so the rows do not depend on
where the records are cut.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import polars as pl

from remanence.analytics.pairing.commands import BREAKS, LAST_WORDS
from remanence.analytics.pairing.movements import OUTCOME
from remanence.analytics.pairing.rails import MEASURED
from remanence.analytics.pairing.wiring import Wiring

C = pl.col

BEGINNING = -(1 << 52)
"""Earlier than any record, as a time and as an instant; its opposite is later than any. [us]"""

RECENT_US = 130_000_000
"""How long command edges are kept, as they bear on what the supply shows of later commands: the
minute before a command, the minute of its pulse that is looked at, two seconds after it, and eight
to spare."""

TIME, FLAG, TEXT = pl.Int64(), pl.Boolean(), pl.String()


@dataclass(frozen=True)
class CarryOver:
    """What is carried over, as tables.

    Of locks, commands, contacts and figures the times are instants; of breaks, last words and
    ``until`` they are microseconds, UTC.
    """

    locks: pl.DataFrame
    """One row a lock. At the span's end: ``releasing`` and ``contact_open``. At ``resume``, from
    when on its edges are paired again: ``open_before``, ``contact_since`` (its first contact record
    of all), the last releasing ``command`` with ``last_outcome`` and ``last_attempt``, and whether
    it ``opened`` since the wait for that ended."""
    still_on: pl.DataFrame
    """Coils that are on: ``lock``, since when (``time``), and the ``run``."""
    commands: pl.DataFrame
    """Command edges not final yet, or of the last while; ``others_on``, ``resolution_ms``
    and ``clock_ms``."""
    contacts: pl.DataFrame
    """Contact edges not yet final, with ``other_lock`` and ``other_time``."""
    figures: pl.DataFrame
    """What the rails showed of commands that are not final."""
    breaks: pl.DataFrame
    """BREAKS that a row not yet final may still fall into."""
    last_words: pl.DataFrame
    """LAST_WORDS."""
    until: int = BEGINNING

    @staticmethod
    def schemas(lock: pl.DataType) -> dict[str, dict[str, pl.DataType]]:
        """The tables' columns; ``lock``: the type of a lock's name."""
        return {
            "locks": {"lock": lock, "releasing": FLAG, "contact_open": FLAG, "resume": TIME,
                      "open_before": FLAG, "contact_since": TIME, "command": TIME,
                      "last_outcome": OUTCOME, "last_attempt": TIME, "opened": FLAG},
            "still_on": {"lock": lock, "time": TIME, "run": TIME},
            "commands": {"lock": lock, "time": TIME, "on": FLAG, "run": TIME, "others_on": TIME,
                         "resolution_ms": pl.Float64(), "clock_ms": pl.Float64()},
            "contacts": {"lock": lock, "time": TIME, "on": FLAG, "run": TIME, "other_lock": lock,
                         "other_time": TIME},
            "figures": {"lock": lock, "start": TIME, **dict.fromkeys(MEASURED, pl.Float64())},
            "breaks": dict(BREAKS), "last_words": dict(LAST_WORDS),
        }

    @classmethod
    def nothing(cls, wiring: Wiring) -> CarryOver:
        """At the start of all records: every lock rests locked."""
        empty = {name: pl.DataFrame(schema=schema)
                 for name, schema in cls.schemas(wiring.lock).items()}
        rest = wiring.locks.select(
            "lock", releasing=False, contact_open=False, resume=BEGINNING, open_before=False,
            contact_since=None, command=None, last_outcome=None, last_attempt=0, opened=False)
        schema = cls.schemas(wiring.lock)["locks"]
        return cls(**{**empty, "locks": rest.cast(dict(schema))})  # type: ignore[arg-type]

    def text(self) -> str:
        """As one line of JSON; equal ones give equal texts."""
        tables = {name: getattr(self, name).cast({pl.Enum: TEXT}).sort(pl.all()).to_dict(
            as_series=False) for name in self.schemas(TEXT)}
        return json.dumps({"until": self.until, **tables}, separators=(",", ":"))

    @classmethod
    def from_text(cls, wiring: Wiring, text: str) -> CarryOver:
        """Read what :meth:`text` wrote."""
        raw = json.loads(text)
        tables = {name: pl.DataFrame(raw[name], schema=schema).sort(
            [column for column in ("lock", "controller", "time", "first", "start")
             if column in schema]) for name, schema in cls.schemas(wiring.lock).items()}
        return cls(**tables, until=raw["until"])
