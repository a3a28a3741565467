"""The signals table taken apart into what pairing works on: edges, running segments, volts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from analytics.pairing_levels import Ints, Samples
from analytics.pairing_setup import Setup
from analytics.pairing_state import Readings
from shared.venue import controller_of


def readings_of(
    setup: Setup, signals: pl.DataFrame, *others: pl.DataFrame
) -> Readings:
    """Commands, contacts and running segments out of SIGNALS.

    Parameters
    ----------
    setup : Setup
        The locks.
    signals : polars.DataFrame
        SIGNALS, any order. Channels that the venue does not name are passed over.
    *others : polars.DataFrame
        More SIGNALS (``channel``, ``time`` and ``run``) of the same span, looked at only
        for how far each controller's log reaches.
    """
    command_lock, command_time, command_value, command_run = _of(
        signals, "command", setup.command_of)
    contact_lock, contact_time, contact_value, _ = _of(signals, "contact", setup.contact_of)
    controller, run, first, last = segments(setup.controllers, [signals, *others])
    return Readings(
        command_lock, command_time, command_value == setup.energised_value[command_lock],
        command_run, contact_lock, contact_time, contact_value, controller, run, first, last,
    )


def _of(
    signals: pl.DataFrame, quantity: str, place: Mapping[str, int]
) -> tuple[Ints, Ints, Ints, Ints]:
    rows = signals.lazy().filter(pl.col("quantity") == quantity).select(
        pl.col("channel").replace_strict(dict(place), default=None, return_dtype=pl.Int64)
        .alias("lock") if place else pl.lit(None, pl.Int64).alias("lock"),
        pl.col("time").to_physical(),
        (pl.col("value") > 0.5).cast(pl.Int64).alias("value"),
        pl.col("run").fill_null(0),
    ).filter(pl.col("lock").is_not_null()).collect()
    return tuple(rows[name].to_numpy() for name in ("lock", "time", "value", "run"))  # type: ignore[return-value]


def segments(
    controllers: Sequence[str], frames: Sequence[pl.DataFrame]
) -> tuple[Ints, Ints, Ints, Ints]:
    """Each controller's running segments in time order: controller, run, first and last record.

    A run that is interrupted by another one's records and comes back counts twice.
    """
    place = {name: i for i, name in enumerate(controllers)}
    spans = pl.concat([
        frame.lazy().group_by("channel", pl.col("run").fill_null(0)).agg(
            first=pl.col("time").to_physical().min(), last=pl.col("time").to_physical().max())
        for frame in frames
    ]).collect()
    owner = [place.get(controller_of(channel), -1) for channel in spans["channel"]]
    spans = spans.with_columns(controller=pl.Series(owner, dtype=pl.Int64)).filter(
        pl.col("controller") >= 0)
    runs = spans.group_by("controller", "run").agg(
        pl.col("first").min(), pl.col("last").max()).sort("controller", "first", "last", "run")
    overlap = runs.filter(
        (pl.col("first") <= pl.col("last").shift(1).over("controller")).fill_null(False)
    )["controller"].unique().to_list()
    if overlap:
        names = {c for c in spans["channel"] if place.get(controller_of(c), -1) in overlap}
        mixed = pl.concat([
            frame.lazy().filter(pl.col("channel").is_in(list(names))).select(
                "channel", pl.col("time").to_physical(), pl.col("run").fill_null(0))
            for frame in frames
        ]).collect()
        mixed = mixed.select(
            pl.col("channel").map_elements(lambda c: place[controller_of(c)], pl.Int64)
            .alias("controller"), "time", "run",
        ).sort("controller", "time", "run")
        turn = (pl.struct("controller", "run").rle_id()).alias("turn")
        parted = mixed.group_by(turn).agg(
            pl.col("controller", "run").first(), first=pl.col("time").min(),
            last=pl.col("time").max())
        runs = pl.concat([
            runs.filter(~pl.col("controller").is_in(overlap)),
            parted.select("controller", "run", "first", "last"),
        ]).sort("controller", "first", "last", "run")
    return tuple(runs[name].to_numpy() for name in ("controller", "run", "first", "last"))  # type: ignore[return-value]


def samples_of(
    levels: pl.DataFrame, quantity: str, channels: Sequence[str]
) -> dict[str, Samples]:
    """Readings of ``quantity`` by channel, in time order, each (time, value) once.

    Values that are not finite are passed over; channels without readings are left out.
    """
    found: dict[str, Samples] = {}
    frame = levels.lazy().filter(
        (pl.col("quantity") == quantity) & pl.col("channel").is_in(list(channels))
    ).select("channel", "time", "value").collect()
    for (channel,), one in frame.partition_by("channel", as_dict=True).items():
        time = one["time"].to_physical().to_numpy()
        value = one["value"].to_numpy()
        good = np.isfinite(value)
        if not good.all():
            time, value = time[good], value[good]
        if (np.diff(time) <= 0).any():
            order = np.lexsort((value, time))
            time, value = time[order], value[order]
            new = np.ones(time.size, np.bool_)
            new[1:] = (time[1:] != time[:-1]) | (value[1:] != value[:-1])
            time, value = time[new], value[new]
        found[str(channel)] = Samples(time, value)
    return found


def controller_times(
    controllers: Sequence[str], frames: Sequence[pl.DataFrame]
) -> dict[str, tuple[Ints, Ints]]:
    """All records, and those that are edges, of each controller, in time order."""
    parts: dict[str, list[tuple[Ints, bool]]] = {}
    wanted = set(controllers)
    for frame in frames:
        for (channel, quantity), one in frame.select("channel", "quantity", "time").partition_by(
            "channel", "quantity", as_dict=True, include_key=False
        ).items():
            owner = controller_of(str(channel))
            if owner in wanted:
                parts.setdefault(owner, []).append(
                    (one["time"].to_physical().to_numpy(), quantity in ("command", "contact")))
    return {
        name: (
            np.sort(np.concatenate([time for time, _ in mine]), kind="stable"),
            np.sort(np.concatenate([time for time, edge in mine if edge] or [_NOTHING]),
                    kind="stable"),
        )
        for name, mine in sorted(parts.items())
    }


_NOTHING = np.empty(0, np.int64)
