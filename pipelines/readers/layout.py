"""From a file's own columns and names to time, channel, quantity and value.

What this yields: ``line``, ``time`` (text, or null), ``channel``, ``quantity``,
``value``, and where the block speaks of them ``boot``, ``wall``, ``scale``,
``offset`` and ``label`` (the log's own name of the channel, for messages).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from remanence.pipelines.clocks.iso import parse_times
from remanence.pipelines.readers.raw import Fields
from remanence.pipelines.readers.source import UnreadableSourceError
from remanence.shared.log_format import LogChannel, LogFormat, group_names

_EXTRA = ("boot", "wall")
_SEVERAL = ("channel", "value")
"""Roles that several columns may play together."""

_YEAR_OF_NAME = re.compile(r"(?<!\d)(20\d\d)(?:[-_.]?(0[1-9]|1[0-2])(?:[-_.]?([0-3]\d))?)?(?!\d)")
_HALF_YEAR = 186
"""Days, of months that all have 31."""

DEFAULT = ("time", "channel", "quantity", "value")
"""The default layout's columns."""


@dataclass
class Laid:
    """Records in the venue's words.

    ``passed``: lines without any record; ``ignored``: records of channels that the
    block passes over.
    """

    records: pl.DataFrame
    passed: int
    ignored: int = 0


class Layout:
    """Applies one ``[[log]]`` block to one file."""

    def __init__(
        self, log: LogFormat, name: str, kinds: Mapping[str, pl.DataType] | None = None,
        written: datetime | None = None,
    ) -> None:
        """``kinds``: in which types records in the default layout may come.

        ``written``: when the file was last written, which tells the year where nothing else does.
        """
        self.log = log
        self.name = name
        self.written = written or datetime.now(UTC)
        self.kinds = kinds or {}
        self.facts = self._facts_of_file(name)
        self.wide = log.layout == "wide"
        groups = {name for pattern in log.patterns for name in group_names(pattern)}
        self.has = {role: log.columns_of(role)[0] for role in ("time", "date", *_EXTRA)
                    if role == "time" or role in log.columns or role in groups}
        if "date" in self.facts or "date" in log.constants:
            self.has.pop("date", None)
        if not self.wide:
            self.has |= {role: log.columns_of(role)[0] for role in ("channel", "quantity", "value")}
            for role in ("channel", "quantity"):
                if role in self.facts or role in log.constants:
                    del self.has[role]
        self.plain = not (
            log.channels or log.channel_pattern or log.controller or log.quantities
            or log.on or log.off or log.constants or self.facts or log.decimal != "."
            or "date" in self.has or log.unknown or log.ignore_where or log.yearless
            or log.columns
        ) and not self.wide

    def _facts_of_file(self, name: str) -> dict[str, str]:
        pattern = self.log.file_pattern
        if pattern is None:
            return {}
        series = pl.Series([name])
        if not series.str.contains(pattern)[0]:
            raise UnreadableSourceError(f"{name}: file_pattern of the [[log]] block does not fit "
                                        "the file's path")
        found = series.str.extract_groups(pattern)[0]
        facts = {k: v for k, v in found.items() if isinstance(v, str) and v}
        if "channel" not in facts and "name" in facts:
            controller = facts.get("controller", self.log.controller)
            facts["channel"] = f"{controller}/{facts['name']}" if controller else facts["name"]
        return facts

    @property
    def fields(self) -> Fields:
        """What the reader is to get out of the file."""
        names = [name for role, first in self.has.items()
                 for name in (self.log.columns_of(role) if role in _SEVERAL else (first,))]
        names += self.log.ignore_where
        cells = tuple(n for n, c in self.log.channels.items() if not c.ignore) if self.wide else ()
        names += cells
        required = [name for role in ("time", "date", "channel", "value") if role in self.has
                    for name in self.log.columns_of(role)]
        wanted = tuple(dict.fromkeys(names))
        whole = not (self.log.counts or self.log.yearless or self._dates())
        return Fields(wanted, tuple(required),
                      self.kinds if self.plain and wanted == DEFAULT else {},
                      (self.has["time"],) if whole else (), cells)

    def apply(self, raw: pl.DataFrame, cells: pl.DataFrame | None = None) -> Laid:
        """Bring raw records into the venue's words; of a wide log maybe its filled cells."""
        if self.plain and tuple(raw.columns[1:]) == DEFAULT:
            return Laid(raw, 0)
        raw, left_out = self._without(raw)
        time = pl.col(self.has["time"]).alias("time")
        frame = raw.select(
            "line", time, *(pl.col(self.has[r]).alias(r) for r in _EXTRA if r in self.has),
            *self._dates(), *(() if self.wide else self._long_columns()),
        )
        if "_date" in frame.columns:
            joint = "T" if self.log.time_format == "iso" else " "
            frame = frame.with_columns(time=pl.concat_str(
                pl.col("_date").cast(pl.String).str.strip_chars(),
                pl.lit(joint), pl.col("time").cast(pl.String).str.strip_chars())).drop("_date")
        passed = 0
        if self.log.yearless:
            frame = frame.with_columns(time=self._dated(frame["time"].cast(pl.String)))
        if self.wide:
            frame, passed = self._unpivoted(frame, self._filled(raw) if cells is None else cells)
        elif len(self.log.columns_of("value")) > 1:
            frame, passed = self._several_values(frame)
        laid = self._named(frame, passed)
        laid.ignored += left_out
        return laid

    def _without(self, raw: pl.DataFrame) -> tuple[pl.DataFrame, int]:
        """Leave out the records that ``ignore_where`` speaks of."""
        hits = [pl.col(name).cast(pl.String).str.strip_chars().str.to_lowercase().is_in(
            [word.strip().lower() for word in words]).fill_null(False)
            for name, words in self.log.ignore_where.items() if name in raw.columns]
        if not hits:
            return raw, 0
        kept = raw.filter(~pl.any_horizontal(hits))
        return kept, raw.height - kept.height

    def _dated(self, times: pl.Series) -> pl.Series:
        """Times that lack the year, with the year in front of them.

        A month and day in the file's name are taken to lie within half a year of each line; the
        day on which the file was last written, to lie after it.
        """
        found = parse_times("2000 " + times.str.strip_chars(), self.log.time_format)["time"]
        days = found.dt.month().cast(pl.Int64) * 31 + found.dt.day()
        named = _YEAR_OF_NAME.findall(self.name)
        if named:
            year, month, day = (int(part or 0) for part in named[-1])
            ahead = days - (month * 31 + (day or 15)) if month else days * 0
            shift = (ahead < -_HALF_YEAR).cast(pl.Int64) - (ahead > _HALF_YEAR).cast(pl.Int64)
        else:
            year = self.written.year
            shift = -(days > self.written.month * 31 + self.written.day + 1).cast(pl.Int64)
        return (shift.fill_null(0) + year).cast(pl.String) + " " + times.str.strip_chars()

    def _several_values(self, frame: pl.DataFrame) -> tuple[pl.DataFrame, int]:
        """A record for each of several values; its column's name is put behind the channel."""
        names = [f"v:{name}" for name in self.log.columns_of("value")]
        index = [name for name in frame.columns if name not in names]
        long = frame.with_columns(pl.col(names).cast(pl.String)).unpivot(
            names, index=index, variable_name="_key", value_name="value").filter(
            pl.col("value").str.strip_chars() != "").sort("line", maintain_order=True)
        label = pl.concat_str("label", pl.col("_key").str.strip_prefix("v:"), separator="/",
                              ignore_nulls=True)
        long = long.with_columns(label=label).drop("_key")
        return long, frame.height - long["line"].n_unique()

    def _dates(self) -> list[pl.Expr]:
        if "date" in self.has:
            return [pl.col(self.has["date"]).alias("_date")]
        fixed = self.facts.get("date") or self.log.constants.get("date")
        return [pl.lit(fixed).alias("_date")] if fixed else []

    def _long_columns(self) -> list[pl.Expr]:
        def one(role: str) -> pl.Expr:
            fixed = self.facts.get(role) or self.log.constants.get(role)
            return (pl.lit(fixed, pl.String) if fixed else pl.col(self.has[role])).alias(role)

        channels, values = self.log.columns_of("channel"), self.log.columns_of("value")
        label = one("channel")
        if "channel" in self.has and len(channels) > 1:
            filled = [pl.col(name).cast(pl.String).str.strip_chars().replace("", None)
                      for name in channels]
            label = pl.concat_str(filled, separator="/", ignore_nulls=True)
        if len(values) > 1:
            return [label.alias("label"), one("quantity"),
                    *(pl.col(name).alias(f"v:{name}") for name in values)]
        return [label.alias("label"), one("quantity"), pl.col(values[0]).alias("value")]

    def _filled(self, raw: pl.DataFrame) -> pl.DataFrame:
        """The filled cells of a wide log, in the order of its lines."""
        names = [n for n, c in self.log.channels.items() if not c.ignore and n in raw.columns]
        parts = [raw.select("line", pl.lit(name).alias("label"),
                            pl.col(name).cast(pl.String).alias("value")).drop_nulls("value")
                 for name in names]
        empty = pl.DataFrame(schema={"line": pl.Int64, "label": pl.String, "value": pl.String})
        return pl.concat([empty, *parts]).sort("line", maintain_order=True)

    def _unpivoted(self, frame: pl.DataFrame, cells: pl.DataFrame) -> tuple[pl.DataFrame, int]:
        cells = cells.filter(pl.col("value").str.strip_chars() != "")
        long = frame.join(cells, on="line", how="left", maintain_order="left_right")
        told = pl.col("value").is_not_null()
        if "wall" in frame.columns:  # a line that only carries true time must reach the clock
            told = told | pl.col("wall").is_not_null()
        long = long.filter(told).with_columns(quantity=pl.lit(None, pl.String))
        return long, frame.height - long["line"].n_unique()

    # Names.

    def _named(self, frame: pl.DataFrame, passed: int) -> Laid:
        kinds = frame.select("label", "quantity").unique()
        if self.log.channel_pattern:
            kinds = kinds.with_columns(
                pl.col("label").str.extract_groups(self.log.channel_pattern).alias("_g"))
        rows = []
        for row in kinds.iter_rows():
            label, quantity, groups = row[0], row[1], row[2] if len(row) > 2 else {}
            for channel, meant, spec in self._resolve(label, quantity, groups or {}):
                scale, offset = spec.scale, spec.offset
                if spec.invert:
                    scale, offset = -(scale or 1.0), 1.0 - (offset or 0.0)
                rows.append((label, quantity, channel, meant, scale, offset, spec.ignore,
                             spec.bit))
        schema = {"label": pl.String, "quantity": pl.String, "channel": pl.String,
                  "meant": pl.String, "scale": pl.Float64, "offset": pl.Float64,
                  "ignore": pl.Boolean, "bit": pl.Int64}
        table = pl.DataFrame(rows, schema=schema, orient="row")
        joined = frame.join(table, on=["label", "quantity"], how="left", nulls_equal=True,
                            maintain_order="left")
        ignored = 0
        if table["ignore"].any():
            kept = joined.filter(~pl.col("ignore"))
            ignored, joined = joined.height - kept.height, kept
        if self.log.unknown:
            word = pl.col("value").cast(pl.String).str.strip_chars().str.to_lowercase()
            known = joined.filter(~word.is_in(
                [w.strip().lower() for w in self.log.unknown]).fill_null(False))
            ignored, joined = ignored + joined.height - known.height, known
        joined = joined.with_columns(quantity=pl.col("meant"), value=self._worded(joined))
        if table["bit"].count():
            joined = joined.with_columns(value=_bits())
        return Laid(joined.drop("meant", "ignore", "bit"), passed, ignored)

    def _resolve(
        self, label: str | None, quantity: str | None, groups: dict[str, str | None]
    ) -> list[tuple[str | None, str | None, LogChannel]]:
        log = self.log
        label = label.strip() if label else label
        channel = label
        if groups.get("channel"):
            channel = groups["channel"]
        elif groups.get("name"):
            controller = groups.get("controller") or log.controller
            channel = f"{controller}/{groups['name']}" if controller else groups["name"]
        quantity = groups.get("quantity") or quantity
        spec = log.channels.get(label or "") or log.channels.get(channel or "") or LogChannel()
        if log.controller and channel and "/" not in channel:
            channel = f"{log.controller}/{channel}"
        if quantity is not None:
            stripped = quantity.strip()
            quantity = log.quantities.get(stripped) or log.quantities.get(
                stripped.lower()) or stripped
        return [(one.channel or channel, one.quantity or quantity, one)
                for one in (spec, *spec.also)]

    def _worded(self, frame: pl.DataFrame) -> pl.Expr:
        """The value with the decimal mark and the words for on and off put right."""
        value = pl.col("value")
        if frame.schema["value"] != pl.String:
            return value
        if self.log.decimal == ",":
            value = value.str.replace(",", ".", literal=True, n=1)
        word = pl.col("value").str.strip_chars().str.to_lowercase()
        result = value
        for on, off, where in (
            (self.log.on, self.log.off, pl.lit(True)),
            *((c.on, c.off, pl.col("label") == name) for name, c in self.log.channels.items()
              if c.on or c.off),
        ):
            for words, figure in ((on, "1"), (off, "0")):
                if words:
                    hit = where & word.is_in([w.strip().lower() for w in words])
                    result = pl.when(hit).then(pl.lit(figure)).otherwise(result)
        return result


def _bits() -> pl.Expr:
    """The value, or the bit of it that is meant; a text may be hexadecimal, like 0x1F."""
    text = pl.col("value").cast(pl.String).str.strip_chars()
    hexadecimal = text.str.extract("^0[xX]([0-9A-Fa-f]+)$")
    whole = pl.coalesce(hexadecimal.str.to_integer(base=16, strict=False),
                        text.cast(pl.Float64, strict=False).cast(pl.Int64, strict=False))
    bit = whole // pl.lit(2, pl.Int64).pow(pl.col("bit").fill_null(0)) % 2
    return pl.when(pl.col("bit").is_null()).then(text).otherwise(bit.cast(pl.String)).alias("value")
