"""From a file's own columns and names to time, channel, quantity and value.

What this yields: ``line``, ``time`` (text, or null), ``channel``, ``quantity``,
``value``, and where the block speaks of them ``boot``, ``wall``, ``scale``,
``offset`` and ``label`` (the log's own name of the channel, for messages).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from remanence.pipelines.readers.raw import Fields
from remanence.pipelines.readers.source import UnreadableSourceError
from remanence.shared.log_format import LogChannel, LogFormat, group_names

_EXTRA = ("boot", "wall")

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
        self, log: LogFormat, name: str, kinds: Mapping[str, pl.DataType] | None = None
    ) -> None:
        """``kinds``: in which types records in the default layout may come."""
        self.log = log
        self.kinds = kinds or {}
        self.facts = self._facts_of_file(name)
        self.wide = log.layout == "wide"
        groups = set(group_names(log.pattern)) if log.pattern else None
        self.has = {role: log.column(role) for role in ("time", "date", *_EXTRA)
                    if role == "time" or role in log.columns or (groups and role in groups)}
        if "date" in self.facts or "date" in log.constants:
            self.has.pop("date", None)
        if not self.wide:
            self.has |= {role: log.column(role) for role in ("channel", "quantity", "value")}
            for role in ("channel", "quantity"):
                if role in self.facts or role in log.constants:
                    del self.has[role]
        self.plain = not (
            log.channels or log.channel_pattern or log.controller or log.quantities
            or log.on or log.off or log.constants or self.facts or log.decimal != "."
            or "date" in self.has
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
        names = list(self.has.values())
        if self.wide:
            names += [n for n, c in self.log.channels.items() if not c.ignore]
        required = [self.has[role] for role in ("time", "date", "channel", "value")
                    if role in self.has]
        wanted = tuple(dict.fromkeys(names))
        return Fields(wanted, tuple(required),
                      self.kinds if self.plain and wanted == DEFAULT else {})

    def apply(self, raw: pl.DataFrame) -> Laid:
        """Bring raw records into the venue's words."""
        if self.plain and tuple(raw.columns[1:]) == DEFAULT:
            return Laid(raw, 0)
        time = pl.col(self.has["time"]).alias("time")
        frame = raw.select(
            "line", time, *(pl.col(self.has[r]).alias(r) for r in _EXTRA if r in self.has),
            *self._dates(), *(self._wide_columns(raw) if self.wide else self._long_columns()),
        )
        if "_date" in frame.columns:
            joint = "T" if self.log.time_format == "iso" else " "
            frame = frame.with_columns(time=pl.concat_str(
                pl.col("_date").cast(pl.String).str.strip_chars(),
                pl.lit(joint), pl.col("time").cast(pl.String).str.strip_chars())).drop("_date")
        passed = 0
        if self.wide:
            frame, passed = self._unpivoted(frame)
        return self._named(frame, passed)

    def _dates(self) -> list[pl.Expr]:
        if "date" in self.has:
            return [pl.col(self.has["date"]).alias("_date")]
        fixed = self.facts.get("date") or self.log.constants.get("date")
        return [pl.lit(fixed).alias("_date")] if fixed else []

    def _long_columns(self) -> list[pl.Expr]:
        def one(role: str) -> pl.Expr:
            fixed = self.facts.get(role) or self.log.constants.get(role)
            return (pl.lit(fixed, pl.String) if fixed else pl.col(self.has[role])).alias(role)

        return [one("channel").alias("label"), one("quantity"), pl.col(self.has["value"]).alias(
            "value")]

    def _wide_columns(self, raw: pl.DataFrame) -> list[pl.Expr]:
        names = [n for n, c in self.log.channels.items() if not c.ignore and n in raw.columns]
        return [pl.col(name).alias(f"c:{name}") for name in names]

    def _unpivoted(self, frame: pl.DataFrame) -> tuple[pl.DataFrame, int]:
        on = [name for name in frame.columns if name.startswith("c:")]
        index = [name for name in frame.columns if name not in on]
        anchors = frame.filter(pl.col("wall").is_not_null()) if "wall" in index else frame[:0]
        long = frame.with_columns(pl.col(on).cast(pl.String)).unpivot(
            on, index=index, variable_name="label", value_name="value"
        ).filter(pl.col("value").str.strip_chars() != "")
        if anchors.height:  # a line that only carries true time must reach the clock
            lone = anchors.filter(~pl.col("line").is_in(long["line"].implode()))
            long = pl.concat([long, lone.select(index)], how="diagonal")
        long = long.sort("line", maintain_order=True).with_columns(
            pl.col("label").str.strip_prefix("c:"), quantity=pl.lit(None, pl.String))
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
            channel, meant, spec = self._resolve(label, quantity, groups or {})
            scale, offset = spec.scale, spec.offset
            if spec.invert:
                scale, offset = -(scale or 1.0), 1.0 - (offset or 0.0)
            rows.append((label, quantity, channel, meant, scale, offset, spec.ignore))
        schema = {"label": pl.String, "quantity": pl.String, "channel": pl.String,
                  "meant": pl.String, "scale": pl.Float64, "offset": pl.Float64,
                  "ignore": pl.Boolean}
        table = pl.DataFrame(rows, schema=schema, orient="row")
        joined = frame.join(table, on=["label", "quantity"], how="left", nulls_equal=True,
                            maintain_order="left")
        ignored = 0
        if table["ignore"].any():
            kept = joined.filter(~pl.col("ignore"))
            ignored, joined = joined.height - kept.height, kept
        joined = joined.with_columns(quantity=pl.col("meant"), value=self._worded(joined))
        return Laid(joined.drop("meant", "ignore"), passed, ignored)

    def _resolve(
        self, label: str | None, quantity: str | None, groups: dict[str, str | None]
    ) -> tuple[str | None, str | None, LogChannel]:
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
        if spec.channel:
            channel = spec.channel
        elif log.controller and channel and "/" not in channel:
            channel = f"{log.controller}/{channel}"
        if quantity is not None:
            stripped = quantity.strip()
            quantity = log.quantities.get(stripped) or log.quantities.get(
                stripped.lower()) or stripped
        return channel, spec.quantity or quantity, spec

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
