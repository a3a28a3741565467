"""Pull and holding force against published examples."""

import pytest

from remanence.analytics.physics.magnet import (
    MU0,
    gap_tesla,
    hold_share,
    holding_force,
    pull_newtons,
    pull_pascal,
)
from remanence.shared.venue import Lock


# Maxwell's pull: several textbooks; about 1000 kPa at 1.6 T.
@pytest.mark.parametrize(("tesla", "kilopascal"), [(1.0, 397.9), (1.6, 1019), (2.0, 1592)])
def test_maxwell_pull(tesla, kilopascal):
    assert pull_pascal(tesla) / 1000 == pytest.approx(kilopascal, abs=0.5)


def test_lifting_magnet_example():
    # Published spreadsheet example "Lifting electromagnet": 4.9 N, two poles of 600 mm2, two
    # gaps of 0.1 mm: B 0.101 T, flux 6.08e-5 Wb, gap magnetomotive force 16.1 ampere turns.
    tesla = gap_tesla(4.9, 2 * 600e-6)
    assert tesla == pytest.approx(0.101, abs=0.0005)
    assert tesla * 600e-6 == pytest.approx(6.08e-5, abs=5e-8)
    assert tesla / MU0 * 2 * 0.1e-3 == pytest.approx(16.1, abs=0.05)


def test_pull_over_a_gap_example():
    # Published example: 500 turns, 10 A, 0.3 m2, 1 m: 4.712 N.
    assert pull_newtons(500 * 10, 0.3, 1.0) == pytest.approx(4.712, abs=0.0005)


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


def test_margin_and_its_caveat():
    hold = holding_force(magnet(cable_metres=30.0, cable_mm2=0.5), 11.0, 45.0, pull=600.0)
    assert hold.low_newtons < hold.newtons < 2700
    assert hold.margin_percent == pytest.approx(100 * (hold.low_newtons / 600 - 1))
    assert hold.low_percent <= hold.percent_of_rated <= hold.high_percent
    assert hold.estimated
    assert "gap" in hold.caveat


def test_what_is_not_stated_is_not_guessed():
    assert holding_force(magnet(mechanism="latch"), 12.0) is None
    bare = holding_force(magnet(coil_ohms=None, holding_newtons=None), 11.0, 20.0)
    assert (bare.newtons, bare.margin_percent) == (None, None)
    assert bare.percent_of_rated < 100
