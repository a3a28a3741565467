"""What volts and heat explain: fitted to releases whose law is known."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.physics.coil_heat import heat_at_start, loaded_volts
from remanence.analytics.physics.on_times import on_times
from remanence.analytics.physics.release import Solenoid
from remanence.analytics.physics.release_fit import explain, fit_release, loaded
from remanence.shared.tables import ACTUATIONS, ENERGISINGS
from remanence.shared.venue import Lock, Supply, Venue

START = datetime(2026, 1, 5, 9, tzinfo=UTC)


def lock(**changes):
    values = {
        "id": "a", "guards": "container", "mechanism": "latch", "released_by": "power-on",
        "supply": "rail", "command": "c/a", "coil_ohms": 10.0,
    }
    return Lock(**(values | changes))


def releases(volts, celsius=20.0, model=None, size=150, seed=1, sticking=1.0, kind="catch"):
    """Releases of a latch by the physical law with 8 % of scatter; 600 ms is waited."""
    rng = np.random.default_rng(seed)
    model = model or Solenoid(15.0, 9.2)
    at = np.broadcast_to(np.asarray(volts, dtype=float), (size,))
    warm = np.broadcast_to(np.asarray(celsius, dtype=float), (size,))
    latency = model.latency_ms(at, warm) * sticking * np.exp(0.08 * rng.standard_normal(size))
    out = latency < 600
    frame = ACTUATIONS.conform(pl.DataFrame({
        "lock": ["a"] * size,
        "command_time": [START + timedelta(minutes=30 * i) for i in range(size)],
        "outcome": np.where(out, "released", "no-release"),
        "latency_ms": np.where(out, latency, np.nan), "waited_ms": np.minimum(latency, 600.0),
        "latency_from": [kind] * size, "volts_before": at + 0.5, "sag_volts": [0.5] * size,
    }).with_columns(pl.col("latency_ms").fill_nan(None)))
    return loaded(frame, None, 20.0).with_columns(celsius=pl.Series(warm))


def volts_that_vary(seed=5, size=150, low=10.8, high=12.4):
    return np.random.default_rng(seed).uniform(low, high, size)


@pytest.mark.parametrize("stall", [7.8, 8.6, 9.4, 10.2])
def test_the_stall_voltage_put_in_comes_out(stall):
    fit = fit_release(releases(volts_that_vary(), model=Solenoid(15.0, stall)), lock())
    assert fit.stall_low_volts <= stall <= fit.stall_high_volts
    assert fit.stall_volts == pytest.approx(stall, abs=0.5)
    assert fit.informed
    assert fit.scatter == pytest.approx(0.08, rel=0.25)


def test_intervals_of_the_stall_voltage_hold():
    inside = 0
    for seed in range(80):
        rng = np.random.default_rng(1000 + seed)
        stall = 12 * (0.77 + 0.05 * rng.standard_normal())
        rows = releases(volts_that_vary(seed), model=Solenoid(15.0, stall), size=150, seed=seed)
        fit = fit_release(rows, lock())
        inside += fit.stall_low_volts <= stall <= fit.stall_high_volts
    assert inside >= 70  # 95 % of 80 is 76; three standard deviations less


def test_constant_volts_leave_the_prior_and_say_so():
    fit = fit_release(releases(12.0), lock())
    assert fit.estimated
    assert fit.stall_high_volts - fit.stall_low_volts > 2.0
    none = fit_release(releases(12.0, size=3), lock())
    assert none.estimated
    assert none.releases == 3


def test_a_low_supply_is_explained_and_a_sticking_catch_is_not():
    fit = fit_release(releases(volts_that_vary()), lock())
    well, low = releases(12.0, seed=2), releases(11.0, seed=3)
    found = explain(fit, well, low)
    truth = 100 * (float(Solenoid(15.0, 9.2).latency_ms(11.0) / Solenoid(15.0, 9.2).latency_ms(12))
                   - 1)
    assert found.measured_percent[1] <= truth <= found.measured_percent[2]
    assert found.volts_percent[0] == pytest.approx(truth, abs=4)
    assert found.heat_percent[0] == pytest.approx(0.0, abs=1e-9)
    assert found.rest_percent[1] <= 0 <= found.rest_percent[2]
    # The same change of latency, with volts as before.
    stuck = explain(fit, well, releases(12.0, seed=3, sticking=1 + truth / 100))
    assert stuck.volts_percent[0] == pytest.approx(0.0, abs=1e-9)
    assert stuck.rest_percent[1] > 0


def test_what_is_left_to_the_lock_is_inside_its_interval():
    # Volts fall and the catch sticks by 10 % together; stall voltages scatter as the prior says.
    inside = 0
    for seed in range(50):
        rng = np.random.default_rng(seed)
        law = Solenoid(15.0, min(12 * (0.77 + 0.05 * rng.standard_normal()), 10.5))
        before = releases(rng.uniform(11.7, 12.3, 160), model=law, size=160, seed=3 * seed)
        now = releases(rng.uniform(11.0, 11.6, 40), model=law, size=40, seed=3 * seed + 1,
                       sticking=1.1)
        found = explain(fit_release(before, lock()), before, now)
        inside += found.rest_percent[1] <= 10 <= found.rest_percent[2]
    assert inside >= 43  # 95 % of 50 is 47.5; three standard deviations less


def test_heat_is_explained_as_heat():
    fit = fit_release(releases(volts_that_vary()), lock())
    found = explain(fit, releases(12.0, 20.0, seed=2), releases(12.0, 60.0, seed=3))
    latch = Solenoid(15.0, 9.2)
    truth = 100 * (float(latch.latency_ms(12, 60) / latch.latency_ms(12)) - 1)
    assert found.heat_percent[0] == pytest.approx(truth, abs=5)
    assert found.volts_percent[0] == pytest.approx(0.0, abs=1e-9)
    assert found.rest_percent[1] <= 0 <= found.rest_percent[2]


def test_a_magnet_is_not_blamed_on_its_volts():
    magnet = lock(mechanism="magnet", released_by="power-off", suppression="diode")
    fit = fit_release(releases(volts_that_vary()), magnet)
    assert fit.stall_volts is None
    ratio = fit.ratio([10.8], [20.0], [12.0], [20.0])
    assert ratio[0] == pytest.approx(1.0, abs=0.015)


def test_a_person_at_a_door_is_not_physics():
    rows = releases(volts_that_vary(), kind="door")
    assert fit_release(rows, lock()).releases == 0
    assert explain(fit_release(rows, lock()), rows, rows) is None


def test_thin_tables_give_no_split():
    fit = fit_release(releases(12.0).clear(), lock())
    assert explain(fit, releases(12.0).clear(), releases(12.0)) is None
    assert explain(fit, releases(12.0, size=2), releases(12.0)) is None


def test_a_stalling_lock_gives_no_error():
    fit = fit_release(releases(volts_that_vary()), lock())
    assert fit.ratio([5.0], [20.0], [12.0], [20.0])[0] == np.inf
    assert fit.ratio([5.0], [20.0], [5.0], [20.0])[0] == 1.0


def test_a_venue_at_once_with_modelled_heat():
    venue = Venue(
        id="v", name="V", time_zone="UTC", supplies=(Supply(id="rail", rated_volts=12.0),),
        locks=tuple(lock(id=f"l{i}", command=f"c/{i}") for i in range(20)),
    )
    one = releases(volts_that_vary(size=2000), size=2000).select(list(ACTUATIONS.schema))
    rows = pl.concat([one.with_columns(lock=pl.lit(f"l{i}")) for i in range(20)])
    energised = ENERGISINGS.conform(
        rows.select("lock", start="command_time", on_ms=pl.lit(300.0))
    )
    heat = heat_at_start(on_times(energised, venue), venue, volts=loaded_volts(rows))
    every = loaded(rows, heat, venue.limits.ambient_celsius)
    assert all(fit_release(every.filter(pl.col("lock") == item.id), item).informed
               for item in venue.locks)
    assert heat["celsius"].min() >= 25.0
    assert fit_release(every.clear(), venue.locks[3]).releases == 0
