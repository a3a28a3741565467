"""What one span of pairing leaves to the next, and the same as text.

A row is final once no later record can change it. The edges that what is not final rests on are
carried over and paired again in the next span; so the rows do not depend on where the records are
cut.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import polars as pl

from remanence.analytics.clocks.second_clock import CLOCKS, LEVELS
from remanence.analytics.pairing.commands import BREAKS, LAST_WORDS
from remanence.analytics.pairing.edges import EDGES
from remanence.analytics.pairing.rails import MEASURED
from remanence.analytics.pairing.wiring import Wiring

BEGINNING = -(1 << 52)
"""Earlier than any record, as a time and as an instant; its opposite is later than any. [us]"""

TIME, REAL = pl.Int64(), pl.Float64()

SCHEMAS = {
    "locks": {"lock": pl.String(), "resume": TIME, "contact_since": TIME},
    "commands": {**EDGES, "others_on": TIME, "resolution_ms": REAL, "clock_ms": REAL,
                 "ahead": TIME, "again": TIME},
    "contacts": {**EDGES, "other_lock": pl.String(), "other_time": TIME},
    "figures": {"lock": pl.String(), "start": TIME, **dict.fromkeys(MEASURED, REAL)},
    "breaks": dict(BREAKS), "last_words": dict(LAST_WORDS),
    "clocks": dict(CLOCKS), "levels": dict(LEVELS),
}
"""The tables' columns; names of locks are of their Enum."""


@dataclass(frozen=True)
class CarryOver:
    """What is carried over, as tables of SCHEMAS.

    Of locks, commands, contacts and figures the times are instants; of breaks, last words and
    ``until`` they are microseconds, UTC.
    """

    locks: pl.DataFrame
    """One row a lock: its rows are final up to ``resume``; its first contact record of all."""
    commands: pl.DataFrame
    """Command edges of each lock, from the first attempt before ``resume`` on."""
    contacts: pl.DataFrame
    """Contact edges likewise, and the last one before them."""
    figures: pl.DataFrame
    """What the rails showed of these commands, where no later reading can change it."""
    breaks: pl.DataFrame
    """BREAKS that these commands may fall into."""
    last_words: pl.DataFrame
    """LAST_WORDS."""
    clocks: pl.DataFrame
    """CLOCKS: pairs of clocks, and what the second of each was ahead."""
    levels: pl.DataFrame
    """LEVELS: what locks across clocks usually take."""
    until: int = BEGINNING

    @classmethod
    def of(cls, wiring: Wiring, until: int, **columns: dict[str, list[object]]) -> CarryOver:
        """Tables out of their columns; those that are not named have no row."""
        return cls(until=until, **{name: pl.DataFrame(columns.get(name), schema={
            column: wiring.lock if column in ("lock", "other_lock") else dtype
            for column, dtype in schema.items()}) for name, schema in SCHEMAS.items()})

    @classmethod
    def nothing(cls, wiring: Wiring) -> CarryOver:
        """At the start of all records: every lock rests locked."""
        names = wiring.locks["lock"].to_list()
        return cls.of(wiring, BEGINNING, locks={
            "lock": names, "resume": [BEGINNING] * len(names),
            "contact_since": [None] * len(names)})

    def text(self) -> str:
        """As one line of JSON; equal ones give equal texts."""
        tables = {name: getattr(self, name).cast({pl.Enum: pl.String}).sort(pl.all()).to_dict(
            as_series=False) for name in SCHEMAS}
        return json.dumps({"until": self.until, **tables}, separators=(",", ":"))

    @classmethod
    def from_text(cls, wiring: Wiring, text: str) -> CarryOver:
        """Read what :meth:`text` wrote."""
        return cls.of(wiring, **json.loads(text))
