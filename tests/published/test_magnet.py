"""Holding force against the trade's figures."""

import pytest

from remanence.analytics.physics.magnet import hold_share, holding_force
from remanence.shared.venue import Lock


def magnet(**changes):
    values = {
        "id": "m", "guards": "doorway", "mechanism": "magnet", "released_by": "power-off",
        "supply": "rail", "command": "c/m", "coil_ohms": 24.0, "holding_newtons": 2700.0,
    }
    return Lock(**(values | changes))


def test_hold_moves_the_way_the_trade_says():
    # Calculated for a full-size magnet: hold -4/+5 % from 10.8 to 13.8 V, -6 % for 40 K, -29 %
    # with one of two windings open (half the current).
    at_rated = holding_force(magnet(), 12.0, 20.0).percent_of_rated
    assert at_rated == pytest.approx(100.0)
    assert holding_force(magnet(), 10.8, 20.0).percent_of_rated == pytest.approx(96, abs=1)
    assert holding_force(magnet(), 13.8, 20.0).percent_of_rated == pytest.approx(105, abs=1)
    assert holding_force(magnet(), 12.0, 60.0).percent_of_rated == pytest.approx(94, abs=1)
    assert 100 * hold_share(0.5) == pytest.approx(71, abs=2)


def test_margin_rests_on_the_low_force():
    hold = holding_force(magnet(cable_metres=30.0, cable_mm2=0.5), 11.0, 45.0, pull=600.0)
    assert hold.low_newtons < hold.newtons < 2700
    assert hold.margin_percent == pytest.approx(100 * (hold.low_newtons / 600 - 1))
    assert hold.low_percent <= hold.percent_of_rated <= hold.high_percent


def test_what_is_not_stated_is_not_guessed():
    assert holding_force(magnet(mechanism="latch"), 12.0) is None
    bare = holding_force(magnet(coil_ohms=None, holding_newtons=None), 11.0, 20.0)
    assert (bare.newtons, bare.margin_percent) == (None, None)
    assert bare.percent_of_rated < 100
