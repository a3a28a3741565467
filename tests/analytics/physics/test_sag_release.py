"""Releases read from the end of the sag, against contacts logged beside them."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.pairing.rules import pair
from remanence.analytics.physics.sag_release import sag_error, sag_readings, sampling_error_ms
from remanence.shared.tables import ACTUATIONS, SIGNALS
from remanence.shared.venue import Lock, Supply, Venue

START = datetime(2026, 3, 2, 10, tzinfo=UTC)


def venue(contact=True):
    return Venue(
        id="v", name="V", time_zone="UTC",
        supplies=(Supply(id="rail", rated_volts=12.0, channel="rail"),),
        locks=(Lock(
            id="f5", guards="container", mechanism="latch", released_by="power-on",
            supply="rail", command="rail/q", self_cut=True, coil_ohms=12.0,
            contact="rail/i" if contact else None, contact_closed_when="locked",
        ),),
    )


def log(sample_ms, contact=True, commands=80, depth=0.9, noise=0.02, seed=1):
    """A day of commands: the rail sags until the catch has moved, sampled at a free phase."""
    rng = np.random.default_rng(seed)
    rows = []

    def put(ms, channel, quantity, value):
        rows.append((START + timedelta(microseconds=round(ms * 1000)), channel, quantity,
                     float(value)))

    for number in range(commands):
        begin = 40_000.0 * number + float(rng.uniform(0, 1000))
        latency = float(rng.lognormal(np.log(60), 0.25))
        put(begin, "rail/q", "command", 1)
        put(begin + 400, "rail/q", "command", 0)
        if contact:
            put(begin + latency, "rail/i", "contact", 0)
            put(begin + 9000, "rail/i", "contact", 1)
        moments = np.arange(begin - 1000 + rng.uniform(0, sample_ms), begin + 1500, sample_ms)
        loaded = (moments >= begin) & (moments < begin + latency)
        volts = 12.2 - depth * loaded + noise * rng.standard_normal(moments.size)
        for moment, value in zip(moments, volts, strict=True):
            put(moment, "rail", "volts", round(float(value), 3))
    frame = pl.DataFrame(rows, schema=["time", "channel", "quantity", "value"], orient="row")
    return SIGNALS.conform(frame.with_columns(run=pl.lit(0)))


@pytest.mark.parametrize("sample_ms", [5.0, 10.0, 20.0])
def test_the_error_is_what_the_sampling_makes_it(sample_ms):
    actuations = pair(log(sample_ms), venue()).actuations
    found = sag_error(actuations, venue())["f5"]
    assert found.pairs >= 70
    assert found.sample_ms == pytest.approx(sample_ms, rel=0.02)
    # A uniform phase: 95 % within 0.475 of the spacing; 80 pairs know that to some 15 %, and
    # the middle of a flat distribution only to 0.06 of the spacing.
    assert 0.7 < found.within_95_ms / sampling_error_ms(sample_ms)[1] < 1.37
    # Read at its late end the release is half a step late, never more than a step.
    assert -0.1 * sample_ms <= found.bias_ms <= 1.0 * sample_ms
    assert found.bias_low_ms < found.bias_ms < found.bias_high_ms


def test_finer_sampling_is_better():
    errors = [sag_error(pair(log(step), venue()).actuations, venue())["f5"].within_95_ms
              for step in (5.0, 20.0)]
    assert errors[0] < errors[1] / 2


def test_without_contact_the_true_release_lies_within_the_resolution():
    # The same day with its contacts left out: what was read must hold the logged moment.
    told = pair(log(10.0), venue()).actuations.select("command_time", truth="latency_ms")
    blind = pair(log(10.0).filter(pl.col("quantity") != "contact"), venue(contact=False))
    read = blind.actuations.join(told, on="command_time").filter(pl.col("outcome") == "released")
    assert read.height >= 70
    assert set(read["latency_from"]) == {"supply"}
    late = read["latency_ms"] - read["truth"]
    inside = (late >= -1e-3) & (late <= read["resolution_ms"] + 1e-3)
    assert inside.mean() >= 0.97
    found = sag_readings(blind.actuations, venue(contact=False))["f5"]
    assert found.read + found.refused == found.commands == 80
    assert found.resolution_ms == pytest.approx(10.0, rel=0.05)
    assert found.within_95_ms == pytest.approx(4.75, rel=0.05)
    assert found.depth > 20


def test_a_shallow_sag_is_refused():
    faint = log(10.0, depth=0.05, commands=20).filter(pl.col("quantity") != "contact")
    found = sag_readings(pair(faint, venue(contact=False)).actuations, venue(contact=False))["f5"]
    assert found.read <= 1
    assert found.refused >= 19
    assert sag_error(pair(log(10.0, depth=0.05, commands=20), venue()).actuations, venue()) == {}


def test_sampling_error_closed_form():
    # A uniform phase: deviation s / sqrt(12); 95 % within 0.475 s of the middle.
    rng = np.random.default_rng(1)
    draws = rng.uniform(-0.5, 0.5, 200_000) * 10
    assert sampling_error_ms(10.0)[0] == pytest.approx(draws.std(), rel=0.01)
    assert sampling_error_ms(10.0)[1] == pytest.approx(np.quantile(np.abs(draws), 0.95), rel=0.01)


def test_empty_tables():
    assert sag_error(ACTUATIONS.empty(), venue()) == {}
    assert sag_readings(ACTUATIONS.empty(), venue(contact=False)) == {}
