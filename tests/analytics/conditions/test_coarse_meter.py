"""What the step of a rail's meter leaves unknown is not held against a coil."""

import numpy as np
import polars as pl

from remanence.analytics.conditions.coil_circuit import circuit
from tests.analytics.physics.rail_rows import actuations, at_week, latch, magnet, venue

STEP = 0.05


def test_a_sag_that_a_coarse_meter_rounds_away_is_no_open_coil():
    where = venue(*(latch(name) for name in "abc"), magnet("m", rated_amps=0.15))

    def coarse(row, day):
        if row["lock"] == "m":
            # 27 mV, which the idle volts of the day put to one step or to none.
            row.update(sag_ms=None, sag_outlasts_ms=None, volts_noise=0.005,
                       sag_volts=STEP if day % 7 < 3 and day < 35 else 0.0)
        for name in ("volts_before", "sag_volts"):
            row[name] = STEP * np.round(row[name] / STEP)

    frame = pl.concat([actuations(lock, 6, changed=coarse, noise=0.005) for lock in where.locks])
    assert circuit(at_week(where, 5, actuations=frame)) == []
