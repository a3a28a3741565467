"""How finely a controller stamps its edges, on edges whose period was chosen."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.polling import (
    clock_step_ms,
    contact_differences,
    polling_period_ms,
    polling_rows,
)

DAY = 86_400_000_000


def edges(rng, period_us: float, step_us: int = 1000, count: int = 80, phase_us: float = 0.0):
    """Commands and the contact edges that answer them, both stamped at the next poll."""
    times, contact = [], []
    for number in range(count):
        command = 40_000_000 * number + rng.uniform(0, 1e6)
        for moment, is_contact in (
            (command, False), (command + rng.lognormal(np.log(60_000), 0.2), True),
        ):
            stamp = np.ceil((moment - phase_us) / period_us) * period_us + phase_us
            times.append(int(np.ceil(stamp / step_us) * step_us))
            contact.append(is_contact)
        times.append(times[-2] + 300_000)  # the programmed end of the pulse
        contact.append(False)
    order = np.argsort(times, kind="stable")
    return np.array(times)[order], np.array(contact)[order]


@pytest.mark.parametrize("period_ms", [5.0, 10.0, 20.0, 50.0])
@pytest.mark.parametrize("phase_us", [0.0, 3000.0])
def test_the_polling_period_is_found(period_ms, phase_us):
    rng = np.random.default_rng(4)
    times, contact = edges(rng, period_ms * 1000, phase_us=phase_us)
    assert polling_period_ms(contact_differences(times, contact), 1.0) == period_ms


def test_a_poll_half_a_percent_off_is_still_found():
    rng = np.random.default_rng(5)
    times, contact = edges(rng, 10_030, step_us=1)
    assert polling_period_ms(contact_differences(times, contact)) == 10.0


def test_edges_stamped_as_they_come_show_only_the_clock():
    rng = np.random.default_rng(6)
    for seed in range(20):
        times, contact = edges(np.random.default_rng(seed), 1.0)
        assert polling_period_ms(contact_differences(times, contact), 1.0) is None
    times, contact = edges(rng, 1.0)
    [row] = polling_rows(["n"], np.zeros(times.size, int), times, contact).rows()
    assert row[0] == "n"
    assert row[2] == 1.0


def test_the_step_of_a_clock():
    rng = np.random.default_rng(7)
    stamps = rng.integers(0, DAY, 200)
    assert clock_step_ms(stamps) == 0.001
    assert clock_step_ms(stamps // 4 * 4) == 0.004
    assert clock_step_ms(stamps // 1000 * 1000) == 1.0
    assert clock_step_ms(stamps // 1_000_000 * 1_000_000) == 1000.0
    assert clock_step_ms(stamps[:0]) is None
    # All states announced at one whole second say nothing of a clock that counts seconds.
    assert clock_step_ms(np.full(40, 5_000_000)) == 1.0


def test_programmed_times_are_no_polling():
    # Every pulse ends exactly 500 ms after it began: that is a program, not a scan.
    starts = np.arange(40) * 60_000_000 + np.random.default_rng(8).integers(0, 10**6, 40)
    times = np.sort(np.concatenate([starts, starts + 500_000]))
    assert contact_differences(times, np.zeros(times.size, bool)).size == 0


def test_few_edges_claim_no_period():
    assert polling_period_ms(np.full(11, 20_000)) is None
    assert polling_period_ms(np.full(40, 20_000)) is None  # one multiple only


def test_days_and_controllers_are_judged_apart():
    rng = np.random.default_rng(9)
    coarse, contact = edges(rng, 20_000)
    fine, fine_contact = edges(rng, 1.0)
    times = np.concatenate([coarse, fine, fine + DAY])
    whose = np.repeat([0, 1, 1], [coarse.size, fine.size, fine.size])
    found = polling_rows(["a", "b"], whose, times,
                         np.concatenate([contact, fine_contact, fine_contact]))
    assert found["controller"].to_list() == ["a", "b", "b"]
    assert found["resolution_ms"].to_list() == [20.0, 1.0, 1.0]
