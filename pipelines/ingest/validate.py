"""Raw records, once they have a time, into signals; or a reason why not."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import datetime

import numpy as np
import polars as pl

from remanence.pipelines.clocks.now import latest_possible
from remanence.pipelines.store.name_codes import QUANTITY, names_type
from remanence.shared.column_numbers import codes_of, repeated
from remanence.shared.keys import nearest, shown
from remanence.shared.log_format import QUANTITIES
from remanence.shared.tables import SIGNALS
from remanence.shared.venue import Venue

HIGHEST = 1e6
"""No rail has such volts and no coil such amps."""

STRANGERS = 300
"""For so many unknown channels the nearest known one is looked for; then it is the wrong file."""

FUTURE = ("time lies in the future: the controller's clock was wrong, or time_format is not what "
          "the log has (a counter since the start is boot-s, boot-ms or boot-us)")

_FAULTS = {"line": pl.Int64, "reason": pl.String}
_ON_OFF = ("command", "contact")
_IS_ON_OFF = np.array([name in _ON_OFF for name in QUANTITY.categories])


class RecordValidator:
    """Checks records against the venue file, and takes their values.

    ``unknown``: channels of the last stretch that the venue file does not have, and how many
    records each had.
    """

    def __init__(self, venue: Venue, now: datetime | None = None) -> None:
        """``now``: records later than a day after it are set aside; default: the clock's."""
        self.latest = latest_possible(now)
        self.channels = venue.channels
        self.channel_type = names_type(self.channels)
        self.fits = np.array([[quantity in self.channels[channel]
                               for quantity in QUANTITY.categories]
                              for channel in self.channel_type.categories])
        self._strangers: dict[str, str] = {}
        self.unknown: Counter[str] = Counter()

    def apply(self, records: pl.DataFrame, file: str) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Take records that are right.

        Parameters
        ----------
        records : polars.DataFrame
            As a clock hands them on: ``line``, ``utc``, ``run``, ``fault``,
            ``channel``, ``quantity``, ``value``.
        file : str
            How the store calls the log.

        Returns
        -------
        signals : polars.DataFrame
            SIGNALS, its names coded, in the order of the file.
        faults : polars.DataFrame
            ``line`` and ``reason`` of every other record.
        """
        self.unknown.clear()
        records = self._in_the_past(records)
        if records.schema["channel"] == self.channel_type:
            if self._all_right(records):
                return _as_they_are(records, file), pl.DataFrame(schema=_FAULTS)
            records = records.with_columns(pl.col("channel", "quantity").cast(pl.String))
        records = self._with_kind(records)
        value = pl.col("value")
        if records.schema["value"] == pl.String:
            records = records.with_columns(figure=value.cast(pl.Float64, strict=False))
            if records["figure"].null_count():
                records = records.with_columns(
                    figure=pl.col("figure").fill_null(_loosely(value)))
        else:
            records = records.with_columns(figure=value.cast(pl.Float64))
        figure = pl.col("figure")
        if "scale" in records.columns:
            # Rounded, so that the same reading by another way does not differ in the 16th digit.
            scaled = figure * pl.col("scale").fill_null(1.0) + pl.col("offset").fill_null(0.0)
            records = records.with_columns(figure=scaled.round(9))
        on_off = pl.col("quantity").is_in(_ON_OFF)
        likely = pl.when(on_off).then((figure == 0) | (figure == 1)).otherwise(
            figure.is_between(-HIGHEST, HIGHEST))
        clean = records.select(
            pl.col("fault").null_count() == pl.len(), pl.col("kind_fault").null_count() == pl.len(),
            likely.fill_null(False).all().alias("likely"))
        if all(clean.row(0)):
            return self._signals(records, file), pl.DataFrame(schema=_FAULTS)
        reason = (
            pl.when(pl.col("fault").is_not_null()).then(pl.col("fault"))
            .when(pl.col("kind_fault").is_not_null()).then(pl.col("kind_fault"))
            .when(value.is_null()).then(pl.lit("value is missing"))
            .when(figure.is_null() & on_off).then(pl.lit(
                "value is not 0 or 1; name the log's words with on and off in the [[log]] block"))
            .when(figure.is_null()).then(pl.lit("value cannot be read as a number"))
            .when(~figure.is_finite()).then(pl.lit("value is not a finite number"))
            .when(on_off & ~figure.is_in([0.0, 1.0])).then(
                pl.lit("value of a command or contact is not 0 or 1"))
            .when(~on_off & (figure.abs() > HIGHEST)).then(
                pl.lit("value is beyond any supply: more than a million volts or amps"))
            .otherwise(None)
        )
        if "label" in records.columns and self._several(records):
            # Several readings on a line: say which of them it is about.
            reason = pl.when(reason.is_not_null()).then(
                pl.concat_str(reason, pl.lit(" (in "), pl.col("label"), pl.lit(")")))
        records = records.with_columns(reason=reason)
        good, bad = records.filter(pl.col("reason").is_null()), records.filter(
            pl.col("reason").is_not_null())
        return self._signals(good, file), bad.select("line", "reason")

    def _in_the_past(self, records: pl.DataFrame) -> pl.DataFrame:
        """Put a fault to records that are later than any clock can say by now."""
        highest = records["utc"].cast(pl.Int64).max()  # no datetime of Python: it ends in 9999
        if not isinstance(highest, int) or highest <= self.latest.timestamp() * 1e6:
            return records
        late = pl.col("fault").is_null() & (pl.col("utc") > self.latest)
        return records.with_columns(fault=pl.when(late).then(pl.lit(FUTURE)).otherwise("fault"))

    @property
    def kinds(self) -> dict[str, pl.DataType]:
        """In which types records in the default layout can be checked quickest."""
        return {"channel": self.channel_type, "quantity": QUANTITY, "value": pl.Float64()}

    def _all_right(self, records: pl.DataFrame) -> bool:
        """Whether coded records are right without exception."""
        if records["fault"].null_count() < records.height:
            return False
        channel, quantity = (codes_of(records[name]) for name in ("channel", "quantity"))
        figure = records["value"].to_numpy()
        return bool(
            self.fits.take(channel.astype(np.intp) * self.fits.shape[1] + quantity).all()
            and (np.abs(figure) <= HIGHEST).all()
            and (~_IS_ON_OFF.take(quantity) | (figure == 0) | (figure == 1)).all())

    def _signals(self, records: pl.DataFrame, file: str) -> pl.DataFrame:
        return records.select(
            pl.col("utc").alias("time").cast(SIGNALS.schema["time"]),
            pl.col("channel").cast(self.channel_type), pl.col("quantity").cast(QUANTITY),
            # No negative zero: 0 has one way to be written.
            (pl.col("figure") + 0.0).alias("value"),
            pl.col("run").cast(pl.Int64), pl.lit(file, pl.Enum([file])).alias("file"),
            pl.col("line").cast(pl.Int64),
        )

    @staticmethod
    def _several(records: pl.DataFrame) -> bool:
        return records["line"].n_unique() < records.height

    def _with_kind(self, records: pl.DataFrame) -> pl.DataFrame:
        """Fill in the quantity where only one is possible; ``kind_fault`` where it is wrong."""
        kinds = records.lazy().group_by("channel", "quantity").agg(pl.len()).collect().sort(
            "channel", "quantity")  # sorted, so that what is said of strangers does not vary
        rows = []
        for channel, quantity, count in kinds.iter_rows():
            # Blanks after the delimiter, and capitals, are how people write; they mean nothing.
            clean = channel.strip() if channel else channel
            word = quantity.strip().lower() if quantity else quantity
            word = word if word in QUANTITIES else quantity
            if clean and clean not in self.channels:
                self.unknown[clean] += count
            rows.append((channel, quantity, clean, *self._kind(clean or None, word or None)))
        names = ("channel", "quantity", "channel_meant", "quantity_meant", "kind_fault")
        table = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")
        if all(row[:2] == row[2:4] and row[4] is None for row in rows):
            return records.with_columns(kind_fault=pl.lit(None, pl.String))
        joined = records.join(
            table, on=["channel", "quantity"], how="left", nulls_equal=True, maintain_order="left")
        return joined.with_columns(
            channel=pl.col("channel_meant"), quantity=pl.col("quantity_meant"))

    def _nearest(self, channel: str) -> str:
        if channel not in self._strangers:
            if len(self._strangers) >= STRANGERS:
                return "nor are many others"
            self._strangers[channel] = _nearest("channel", channel, self.channels)
        return self._strangers[channel]

    def _kind(self, channel: str | None, quantity: str | None) -> tuple[str | None, str | None]:
        if channel is None:
            return quantity, "channel is missing"
        if channel not in self.channels:
            return quantity, "channel is not in the venue file; " + self._nearest(channel)
        able = self.channels[channel]
        if quantity is None:
            likely = sorted(able - {"amps"}) or sorted(able)
            if len(likely) == 1:
                return likely[0], None
            return None, "quantity is missing"
        if quantity not in QUANTITIES:
            return quantity, (f"quantity {shown(quantity)} is not known; "
                              + _nearest("quantity", quantity, QUANTITIES))
        if quantity not in able:
            return quantity, (f"quantity {quantity} on a channel that the venue file has for "
                              + " and ".join(sorted(able)))
        return quantity, None


def _as_they_are(records: pl.DataFrame, file: str) -> pl.DataFrame:
    """SIGNALS of coded records that are all right."""
    size = records.height
    return pl.DataFrame([
        records["utc"].cast(SIGNALS.schema["time"]).alias("time"), records["channel"],
        records["quantity"],
        pl.Series("value", records["value"].to_numpy() + 0.0),  # no negative zero, as above
        records["run"].cast(pl.Int64), repeated("file", file, pl.Enum([file]), size),
        records["line"].cast(pl.Int64)])


def _nearest(what: str, name: str, known: Iterable[str]) -> str:
    advice = nearest(name, sorted(known))
    if advice.startswith("did you mean"):
        return f"nearest is {advice.removeprefix('did you mean ').rstrip('?')}"
    return f"no {what} has a name like it"


def _loosely(value: pl.Expr) -> pl.Expr:
    """Numbers that stand among blanks, and the words true and false."""
    word = value.str.strip_chars().str.to_lowercase()
    return (
        pl.when(word == "true").then(1.0).when(word == "false").then(0.0)
        .otherwise(word.str.strip_prefix("+").cast(pl.Float64, strict=False))
    )
