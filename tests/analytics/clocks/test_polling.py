"""How finely a controller stamps its edges, on edges whose period was chosen."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from remanence.analytics.clocks.instants import PLACES
from remanence.analytics.clocks.polling import chance_of_fit, polling_of
from remanence.analytics.pairing.edges import RECORDS

DAY = 86_400_000_000


def records(controller, times, contact):
    nth = np.where(contact, np.cumsum(contact), np.cumsum(~contact))
    return pl.DataFrame({"controller": controller, "lock": controller, "time": times * PLACES,
                         "on": nth % 2 == 1, "quantity": np.where(contact, "contact", "command")})


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


def polled(period_ms, count, *, commands="any", step_us=1000, drift=0.0, jitter=0.0, off_grid=0.0,
           bounce=0.3, closes=True, delay_ms=60.0, spread=0.12, seed=1):
    """Contact and command stamps of a day; contacts are stamped at the next scan."""
    rng = np.random.default_rng(seed)
    period = period_ms * 1000 * (1 + drift)
    phase = rng.uniform(0, period)

    def scanned(moments):
        stamps = phase + np.ceil((moments - phase) / period) * period
        return stamps + rng.normal(0, jitter * period, moments.shape)

    command = np.sort(rng.uniform(0, 3.6e10, count))
    if commands == "scanned":
        command = scanned(command)
    elif commands == "mixed":
        command = np.where(rng.random(count) < 0.5, np.round(command, -3), scanned(command))
    else:
        command = np.round(command, -6 if commands == "seconds" else -3)
    opened = command + delay_ms * 1000 * rng.lognormal(0, spread, count)
    bounces = opened[rng.random(count) < bounce]
    contact = [np.where(rng.random(count) < off_grid, opened, scanned(opened)),
               scanned(bounces + rng.uniform(1e3, 15e3, bounces.size))]
    if closes:
        contact.append(scanned(command + rng.uniform(3e6, 30e6, count)))

    def stamps(parts):
        return np.sort((np.round(np.concatenate(parts) / step_us) * step_us).astype(np.int64))

    return stamps(contact), stamps([command, command + 300_000])


def resolution(contacts, commands):
    """What POLLING says, and whether it is a period."""
    times = np.concatenate([commands, contacts]).astype(np.int64)
    contact = np.arange(times.size) >= commands.size
    order = np.argsort(times, kind="stable")
    row = polling_of(records("c", times[order], contact[order])).row(0, named=True)
    return row["resolution_ms"], row["resolution_ms"] != row["clock_ms"]


def clock_step_ms(stamps):
    times = np.sort(stamps)
    return polling_of(records("c", times, np.zeros(times.size, bool)))["clock_ms"].to_list()


@pytest.mark.parametrize("commands", ["any", "seconds", "scanned", "mixed"])
@pytest.mark.parametrize("period_ms", [2.0, 5.0, 8.0, 10.0, 16.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize("count", [30, 120, 400])
def test_the_contacts_own_grid_is_found_whatever_the_commands_do(period_ms, commands, count):
    for seed in range(3):
        found, known = resolution(*polled(period_ms, count, commands=commands, seed=seed))
        # Of very few, none is better than a wrong one.
        assert found == period_ms or (count == 30 and period_ms == 2.0 and not known)


@pytest.mark.parametrize("commands", ["any", "seconds", "scanned", "mixed"])
@pytest.mark.parametrize("kind", [
    {"off_grid": 0.1}, {"drift": 20e-6}, {"delay_ms": 400.0, "spread": 0.08},
    {"step_us": 1}, {"step_us": 1, "jitter": 0.01},
])
def test_the_grid_is_found_through_stray_stamps_drift_and_jitter(kind, commands):
    wrong = []
    for period_ms in (5.0, 8.0, 10.0, 16.0, 20.0, 50.0, 100.0):
        found, known = resolution(*polled(period_ms, 200, commands=commands, seed=5, **kind))
        if abs(found / period_ms - 1) > 0.06:
            wrong.append((period_ms, found, known))
    assert not wrong


@pytest.mark.parametrize("drift", [-0.005, 0.003, 0.005])
def test_a_resonator_far_off_makes_periods_unknown_not_wrong(drift):
    for period_ms in (2.0, 5.0, 10.0, 20.0, 50.0):
        for commands in ("any", "seconds", "scanned"):
            found, known = resolution(*polled(
                period_ms, 200, commands=commands, drift=drift, seed=3))
            assert not known or abs(found / period_ms - 1) < 0.06


@pytest.mark.parametrize("commands", ["any", "seconds"])
@pytest.mark.parametrize(("delay_ms", "spread"), [(60.0, 0.12), (60.0, 0.03), (400.0, 0.08)])
def test_contacts_stamped_as_they_come_show_only_the_clock(commands, delay_ms, spread):
    for seed in range(10):
        for closes in (True, False):
            found, known = resolution(*polled(
                0.001, 150, commands=commands, delay_ms=delay_ms, spread=spread, closes=closes,
                seed=seed))
            assert (found, known) == (1.0, False)


def test_too_few_or_too_uniform_edges_claim_nothing():
    contacts, commands = polled(10.0, 5)
    assert resolution(contacts, commands) == (1.0, False)
    assert resolution(contacts[:0], commands) == (1.0, False)
    # Commands on whole seconds and hardly varying delays: all stamps alike, polled or not.
    contacts, commands = polled(100.0, 200, commands="seconds", spread=0.005, bounce=0.0,
                                closes=False)
    assert resolution(contacts, commands) == (1.0, False)


def test_one_scan_for_both_is_seen_in_the_delays_where_the_clock_drifts():
    rng = np.random.default_rng(5)
    times, contact = edges(rng, 10_030, step_us=1)
    assert resolution(times[contact], times[~contact]) == (10.0, True)


def test_a_day_of_a_controller_becomes_a_row():
    rng = np.random.default_rng(6)
    times, contact = edges(rng, 1.0)
    [row] = polling_of(records("n", times, contact)).rows()
    assert row[0] == "n"
    assert row[2] == 1.0


def test_the_step_of_a_clock():
    rng = np.random.default_rng(7)
    stamps = rng.integers(0, DAY, 200)
    assert clock_step_ms(stamps) == [0.001]
    assert clock_step_ms(stamps // 4 * 4) == [0.004]
    assert clock_step_ms(stamps // 1000 * 1000) == [1.0]
    assert clock_step_ms(stamps // 1_000_000 * 1_000_000) == [1000.0]
    assert polling_of(RECORDS.to_frame()).is_empty()
    # All states announced at one whole second say nothing of a clock that counts seconds.
    assert clock_step_ms(np.full(40, 5_000_000)) == [1.0]


def test_a_state_told_again_and_again_is_no_edge():
    """A board that announces all its states every half second is not polled so."""
    rng = np.random.default_rng(11)
    times, contact = edges(rng, 1.0)
    moved = records("n", times, contact)
    said = np.arange(0, times[-1], 500_000)
    level = moved.filter(pl.col("quantity") == "contact")["on"].to_numpy()
    at = np.searchsorted(times[contact], said, side="right") - 1
    again = pl.DataFrame({"controller": "n", "lock": "n", "time": said[at >= 0] * PLACES,
                          "on": level[at[at >= 0]], "quantity": "contact"})
    assert polling_of(pl.concat([moved, again])).equals(polling_of(moved))


def test_programmed_times_are_no_polling():
    # Every pulse ends exactly 500 ms after it began: that is a program, not a scan.
    starts = np.arange(40) * 60_000_000 + np.random.default_rng(8).integers(0, 10**6, 40)
    times = np.sort(np.concatenate([starts, starts + 500_000]))
    assert resolution(times[:0], times) == (0.001, False)


def test_days_and_controllers_are_judged_apart():
    rng = np.random.default_rng(9)
    coarse, contact = edges(rng, 20_000)
    fine, fine_contact = edges(rng, 1.0)
    found = polling_of(pl.concat([
        records("b", np.concatenate([fine, fine + DAY]), np.tile(fine_contact, 2)),
        records("a", coarse, contact)]))
    assert found["controller"].to_list() == ["a", "b", "b"]
    assert found["resolution_ms"].to_list() == [20.0, 1.0, 1.0]


def test_days_looked_at_together_are_told_as_each_by_itself():
    days, alone = [], []
    for number in range(60):
        period = (5.0, 20.0, 16.0, 0.001)[number % 4]  # the last is no polling at all
        contacts, commands = polled(period, (3, 15, 90)[number % 3], seed=number,
                                    commands=("any", "scanned")[number % 2],
                                    off_grid=(0.0, 0.1)[number // 4 % 2])
        times = np.concatenate([commands, contacts])
        order = np.argsort(times, kind="stable")
        contact = (np.arange(times.size) >= commands.size)[order]
        days.append(records("c", times[order].astype(np.int64) + number * DAY, contact))
        alone.append(resolution(contacts, commands)[0])
    assert polling_of(pl.concat(days))["resolution_ms"].to_list() == alone
    assert {1.0, 5.0, 16.0, 20.0} <= set(alone)


def test_a_period_within_a_step_of_the_clock_fits_by_chance_each_time():
    with np.errstate(over="raise"):
        chance = chance_of_fit(
            np.full(2, 0.99), np.full(2, 50_000.0), 1e3, np.array([500.0, 20e3]), 0.9)
    assert chance[0] == 1.0
    assert chance[1] < 1e-6
