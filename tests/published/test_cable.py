"""Copper, gauges and branch volts against published tables."""

import math

import pytest

from remanence.analytics.physics.cable import (
    COPPER_OHM_MM2_PER_METRE,
    COPPER_PER_KELVIN,
    IEC_60228_OHM_PER_KM,
    awg_metres,
    awg_mm2,
    branch,
    cable_needed,
    cable_ohms,
    conductor_ohms,
    copper_celsius,
    copper_ohms,
    wire_ohms,
)
from remanence.shared.venue import Lock


# ASTM B258, diameters in inches by its formula, as public tables print them.
@pytest.mark.parametrize(
    ("gauge", "inches"),
    [(18, 0.040303), (20, 0.031961), (22, 0.025347), (24, 0.020101), (30, 0.010025)],
)
def test_gauge_diameters(gauge, inches):
    assert awg_metres(gauge) / 0.0254 == pytest.approx(inches, abs=5e-7)


# Solid copper, ohms per 1000 ft at 20 degrees Celsius, 100 % IACS (10.371 ohm circular mil per
# foot): public tables, tolerance half a unit of the last printed digit.
@pytest.mark.parametrize(
    ("gauge", "ohms", "half"),
    [(12, 1.588, 0.0005), (14, 2.525, 0.0005), (16, 4.016, 0.0006), (18, 6.385, 0.0005),
     (20, 10.15, 0.005), (22, 16.14, 0.005), (24, 25.67, 0.005), (26, 40.81, 0.005),
     (28, 64.90, 0.005), (30, 103.2, 0.05)],
)
def test_ohms_per_thousand_feet(gauge, ohms, half):
    assert wire_ohms(304.8, awg_mm2(gauge)) == pytest.approx(ohms, abs=half)


def test_annealed_copper():
    # International Annealed Copper Standard: 1/58 ohm mm2/m; 0.00393 per kelvin at 20 degrees.
    assert pytest.approx(0.0172414, abs=5e-8) == COPPER_OHM_MM2_PER_METRE
    assert pytest.approx(0.003929, abs=5e-7) == COPPER_PER_KELVIN


def test_twelve_gauge_worked_example():
    # OpenStax, University Physics vol. 2, sec. 9.3: 5.00 m of 12-gauge wire, 2.053 mm: area
    # 3.31 mm2, resistance 0.025 ohm, two digits; it takes 1.68e-8 ohm m, 2.6 % under IACS.
    assert awg_metres(12) * 1000 == pytest.approx(2.053, abs=0.0005)
    assert awg_mm2(12) == pytest.approx(3.31, abs=0.005)
    assert wire_ohms(5.0, awg_mm2(12)) * 1.68e-2 / COPPER_OHM_MM2_PER_METRE == pytest.approx(
        0.025, abs=0.0005
    )


def test_iec_60228_maxima_stand_a_little_over_the_nominal_area():
    # IEC 60228:2004 table 3: maxima, 12 to 16 % above 17.241 / area.
    for mm2, per_km in IEC_60228_OHM_PER_KM.items():
        assert 1.12 < per_km / (1000 * COPPER_OHM_MM2_PER_METRE / mm2) < 1.17
        assert conductor_ohms(1000, mm2) == per_km
    assert conductor_ohms(1000, 0.34) == pytest.approx(1.13 * wire_ohms(1000, 0.34))


# IEC 60228 annex B: factor that brings a resistance at t to 20 degrees; its form 250/(230+t)
# differs from the exact copper form by up to 0.004.
@pytest.mark.parametrize(
    ("celsius", "factor"), [(5, 1.064), (30, 0.962), (50, 0.893), (70, 0.833), (90, 0.781)]
)
def test_temperature_factor(celsius, factor):
    assert 1 / copper_ohms(1.0, celsius) == pytest.approx(factor, abs=0.004)


def test_winding_temperature_by_resistance():
    # (R2 - R1) / R1 x (234.5 + t1): 10.0 to 12.5 ohm from 20 degrees is a rise of 63.625 K.
    assert copper_celsius(12.5, 10.0, 20.0) - 20.0 == pytest.approx(63.625, abs=1e-9)
    assert copper_ohms(10.0, 83.625) == pytest.approx(12.5, abs=1e-12)
    # Solenoid makers print +31.4 % at 100 degrees and +15.7 % at 60 degrees.
    assert copper_ohms(1.0, 100) == pytest.approx(1.314, abs=0.0005)
    assert copper_ohms(1.0, 60) == pytest.approx(1.157, abs=0.0005)


def lock(**changes):
    values = {
        "id": "a", "guards": "container", "mechanism": "latch", "released_by": "power-on",
        "supply": "rail", "command": "c/1", "coil_ohms": 24.0, "cable_metres": 20.0,
        "cable_mm2": 1.0,
    }
    return Lock(**(values | changes))


def test_branch_of_a_class_five_loop():
    # 2 x 20 m of class 5, 1.0 mm2: 19.5 ohm/km x 0.04 km = 0.78 ohm; 0.5 A drop 0.39 V, which
    # is 3.25 % of 12 V. At 90 degrees the loop is 1 / 0.784 of that.
    assert cable_ohms(lock()) == pytest.approx(0.78, abs=1e-12)
    assert cable_ohms(lock(), 90.0) == pytest.approx(0.78 / 0.784, rel=1e-3)
    found = branch(lock(), 0.5 * 24.78)
    assert found.amps == pytest.approx(0.5)
    assert found.drop_volts == pytest.approx(0.39)
    assert 100 * found.drop_volts / 12 == pytest.approx(3.25)


def test_the_cable_for_a_margin_gives_that_margin_and_the_next_thinner_does_not():
    need = cable_needed(lock(coil_ohms=10.0), 12.0, 95.0)
    assert need.mm2 == 2.5
    assert branch(lock(coil_ohms=10.0, cable_mm2=2.5), 12.0).percent_of_rated >= 95.0
    assert branch(lock(coil_ohms=10.0, cable_mm2=1.5), 12.0).percent_of_rated < 95.0
    assert cable_needed(lock(), 11.0, 95.0).mm2 is None  # the rail itself is under 95 %


def test_what_is_not_stated_is_not_guessed():
    assert cable_ohms(lock(cable_metres=None)) is None
    assert branch(lock(coil_ohms=None), 12.0) is None
    assert branch(lock(cable_metres=None), 12.0).cable_ohms == 0.0
    assert cable_needed(lock(cable_metres=None), 12.0, 90.0) is None


def test_hotter_cable_or_longer_cable_leaves_less():
    base = branch(lock(), 12.0).terminal_volts
    assert branch(lock(cable_metres=40.0), 12.0).terminal_volts < base
    assert branch(lock(), 12.0, cable_celsius=60.0).terminal_volts < base
    # A hot coil draws less, so more volts reach it.
    assert branch(lock(), 12.0, coil_celsius=80.0).terminal_volts > base
    assert math.isclose(branch(lock(cable_metres=0.0), 12.0).terminal_volts, 12.0)
