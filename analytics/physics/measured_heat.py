"""How warm was a winding, by its own resistance, where coil current is logged?

Resistance method (IEC 60034-1, 8.6.2): T = (R / R_cold)(234.5 + T_cold) - 234.5.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from remanence.analytics.physics.cable import COPPER_ZERO_CELSIUS, cable_ohms, copper_celsius
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.shared.table import TIMESTAMP, require
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Venue

COLD_AFTER_S = 3600.0
"""A coil not energised for this long is taken to be at ambient (six time constants)."""

FEWEST_COLD = 3
"""Fewer cold readings than this give no reference."""


def measured_heat(actuations: pl.DataFrame, venue: Venue) -> pl.DataFrame:
    """Winding temperature by the resistance method, where coil current is logged.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS, any order; rows with ``amps`` above 0 and ``volts_before`` count.
    venue : Venue
        Coils, cables and ``ambient_celsius``.

    Returns
    -------
    polars.DataFrame
        ``lock``, ``command_time``, ``ohms`` (winding, cable taken off), ``celsius`` and
        ``error_kelvin`` (one standard error: scatter of this lock's own cold readings). The
        reference is each lock's median resistance after an hour's rest, at ambient; locks
        with fewer than three such readings are left out. Sorted.

    Raises
    ------
    TableError
        A column is missing or has another type.

    Notes
    -----
    Resistance method: IEC 60034-1, 8.6.2, with k = 234.5.
    """
    require(actuations, ACTUATIONS)
    schema: dict[str, pl.DataType] = {
        "lock": pl.String(), "command_time": TIMESTAMP, "ohms": pl.Float64(),
        "celsius": pl.Float64(), "error_kelvin": pl.Float64(),
    }
    ambient = venue.limits.ambient_celsius
    wires = {lock.id: cable_ohms(lock) or 0.0 for lock in venue.locks}
    drawn = actuations["lock"].filter(actuations["amps"] > 0).unique()
    rows = (
        actuations.select("lock", "command_time", "amps", "volts_before", "sag_volts")
        .filter(pl.col("lock").is_in(drawn.implode()))
        .sort("lock", "command_time")
        .with_columns(
            rest=pl.col("command_time").diff().over("lock").dt.total_microseconds() / 1e6,
            volts=pl.col("volts_before") - pl.col("sag_volts").fill_null(0.0),
        )
        .filter((pl.col("amps") > 0) & pl.col("volts").is_not_null())
        .with_columns(ohms=pl.col("volts") / pl.col("amps")
                      - pl.col("lock").replace_strict(wires, default=0.0))
        .filter(pl.col("ohms") > 0)
    )
    found = []
    for _, group in rows.group_by("lock", maintain_order=True):
        cold = group.filter(pl.col("rest").is_null() | (pl.col("rest") >= COLD_AFTER_S))["ohms"]
        if cold.len() < FEWEST_COLD:
            continue
        values = cold.to_numpy()
        middle = float(np.median(values))
        scatter = robust_deviation(values)
        celsius = np.array([copper_celsius(ohms, middle, ambient) for ohms in group["ohms"]])
        found.append(group.select("lock", "command_time", "ohms").with_columns(
            celsius=pl.Series(celsius),
            error_kelvin=pl.lit(scatter / middle * (COPPER_ZERO_CELSIUS + ambient)),
        ))
    return pl.concat(found).sort("lock", "command_time") if found else pl.DataFrame(schema=schema)
