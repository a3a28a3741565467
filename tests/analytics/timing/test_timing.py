"""What the designer is told: pulses, waits and cues against venues whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from remanence.analytics.timing.answer import lock_answer
from remanence.analytics.timing.curves import lower_curve, release_curve
from remanence.analytics.timing.gather import timing
from remanence.shared.tables import ACTUATIONS, SERVICE
from tests.analytics.timing.timing_venue import START, Truth, commands, history_of, latch, venue_of


def _rng(seed: int = 5) -> np.random.Generator:
    return np.random.default_rng(seed)


def _magnet(name: str, number: int, **changes: object):
    return latch(name, number, mechanism="magnet", released_by="power-off", max_on_ms=None,
                 duty_percent=None, contact_senses="armature", part="bar", **changes)


@pytest.fixture(scope="module")
def plain():
    """One good latch with 540 first commands."""
    venue = venue_of(latch("drawer", 1))
    return history_of(venue, commands("drawer", Truth(), _rng(), days=90))


def _only(result):
    (model,), (answer,) = result.models, result.answers
    return model, answer


def test_a_good_latch_gets_a_pulse_between_what_it_needs_and_what_it_bears(plain):
    model, answer = _only(timing(plain))
    assert model.basis == "own"
    # Truth: 30 ms at 12 V, scatter 9 %, wander 3 %: 99.9 % within exp(3.09 x 0.095) at 11.6 V.
    needed = 30 * np.exp(3.09 * 0.095) * (11.6 / 12) ** -2
    assert needed <= answer.pulse.shortest_ms <= 1.4 * needed
    assert answer.pulse.state == "good"
    assert answer.pulse.shortest_ms * 1.3 <= answer.pulse.recommended_ms <= 500
    assert answer.pulse.recommended_ms % 5 == 0
    assert answer.pulse.longest_ms == 500


def test_every_row_is_accounted_for(plain):
    model, _ = _only(timing(plain))
    assert model.commands == plain.actuations.height
    assert model.released + model.unanswered + model.already_open + model.unobserved \
        + model.two_clocks == model.commands


def test_row_order_and_other_locks_change_nothing(plain):
    shuffled = replace(plain, actuations=plain.actuations.sample(
        fraction=1, shuffle=True, seed=1))
    assert timing(shuffled) == timing(plain)


def test_milliseconds_in_milliseconds_out():
    rows = commands("drawer", Truth(), _rng(), days=60)
    longer = rows.with_columns(pl.col("latency_ms", "waited_ms", "pulse_ms", "resolution_ms") * 4)
    venue = venue_of(latch("drawer", 1))
    once, four = (_only(timing(history_of(venue, r)))[0] for r in (rows, longer))
    for target, need in once.need_ms.items():
        assert four.need_ms[target] == pytest.approx(4 * need, rel=1e-6)


def test_a_slower_lock_never_gets_a_shorter_pulse_and_a_lower_rail_never_a_shorter_one(plain):
    model, answer = _only(timing(plain))
    slower = replace(plain, actuations=plain.actuations.with_columns(pl.col("latency_ms") * 1.5))
    _, slow = _only(timing(slower))
    assert slow.pulse.shortest_ms > answer.pulse.shortest_ms
    volts = [12.4, 12.0, 11.6, 11.0, 10.5]
    settings = timing(plain).settings
    shortest = [lock_answer(model, settings, slow_volts=v).pulse.shortest_ms for v in volts]
    assert shortest == sorted(shortest)
    assert shortest[-1] > shortest[0]


def test_no_pulse_does_both_where_the_coil_may_not_stay_on_long_enough():
    venue = venue_of(latch("drawer", 1, max_on_ms=35.0))
    _, answer = _only(timing(history_of(venue, commands("drawer", Truth(), _rng()))))
    assert answer.pulse.state == "none"
    assert answer.pulse.recommended_ms is None
    assert answer.pulse.shortest_ms > answer.pulse.longest_ms == 35


def test_a_tight_rating_leaves_less_than_the_usual_margin_and_says_so():
    venue = venue_of(latch("drawer", 1, max_on_ms=54.0))
    _, answer = _only(timing(history_of(venue, commands("drawer", Truth(), _rng()))))
    assert answer.pulse.state == "tight"
    assert answer.pulse.shortest_ms <= answer.pulse.recommended_ms <= 54


def test_the_duty_caps_the_pulse_of_a_lock_that_is_fired_often():
    # 12 commands within five minutes at 0.05 % duty: 0.0005 x 300 s / 12 = 12.5 ms each.
    rows = commands("drawer", Truth(silent=0.0), _rng(), days=20)
    burst = rows.head(12).with_columns(
        command_time=pl.lit(START) + pl.int_range(12) * timedelta(seconds=20))
    venue = venue_of(latch("drawer", 1, max_on_ms=None, duty_percent=0.05))
    model, answer = _only(timing(history_of(venue, rows[12:], burst)))
    assert model.busiest_cycle == 12
    assert model.longest_from == "duty_percent"
    assert answer.pulse.longest_ms == pytest.approx(12.5)
    assert answer.pulse.state == "none"


def test_silent_commands_whatever_the_pulse_are_said_and_never_cured_by_length():
    rows = commands("drawer", Truth(silent=0.02), _rng(), days=90)
    model, answer = _only(timing(history_of(venue_of(latch("drawer", 1)), rows)))
    assert model.miss.missed > 0
    assert answer.pulse.falls_short == "misses"
    assert answer.pulse.stated < 0.98
    assert answer.pulse.shortest_ms < 100  # The misses did not drag it towards 250.


def test_short_pulses_count_as_needs_longer_than_the_pulse():
    # A third of the pulses are 31 ms: about half of those fail for their length.
    rows = commands("drawer", Truth(silent=0.0), _rng(), days=120, pulse_ms=[31.0, 120.0, 120.0])
    model, answer = _only(timing(history_of(venue_of(latch("drawer", 1)), rows)))
    short, long = model.pulse_groups
    assert short.released / short.commands < 0.75
    assert long.released == long.commands
    assert model.miss.missed == 0  # None of them is put down to the lock.
    needed = 30 * np.exp(3.09 * 0.095) * (11.6 / 12) ** -2
    assert needed <= answer.pulse.shortest_ms <= 1.5 * needed


def test_few_releases_borrow_from_the_part_and_say_so():
    locks = [latch(f"d{i}", i) for i in range(1, 5)]
    rng = _rng()
    frames = [commands(f"d{i}", Truth(median_ms=28 + i), rng, days=60) for i in (1, 2, 3)]
    few = commands("d4", Truth(median_ms=33), rng, days=3)
    result = timing(history_of(venue_of(*locks), *frames, few))
    model, answer = result.models[3], result.answers[3]
    assert model.basis == "borrowed"
    assert model.siblings == ("d1", "d2", "d3")
    assert model.borrowed_releases > 1000
    assert answer.pulse.recommended_ms is not None
    # Nearer its own 33 ms than the others' 30 ms, and wider than they are.
    median = np.median(model.points_ms)
    assert 30.5 < median < 35
    alone = timing(history_of(venue_of(latch("d4", 4)), few))
    assert alone.models[0].obstacle == "too-few"
    assert alone.answers[0].pulse.recommended_ms is None


def test_a_lock_without_feedback_borrows_from_its_part_or_is_told_nothing():
    blind = commands("blind", Truth(), _rng(), days=20).with_columns(
        outcome=pl.lit("unobserved"), latency_ms=pl.lit(None, pl.Float64))
    seen = commands("seen", Truth(), _rng(6), days=60)
    both = venue_of(latch("blind", 1, contact=None), latch("seen", 2))
    model, answer = (getattr(timing(history_of(both, blind, seen)), n)[0]
                     for n in ("models", "answers"))
    assert (model.basis, model.siblings) == ("borrowed", ("seen",))
    assert answer.pulse.recommended_ms is not None
    other = venue_of(latch("blind", 1, contact=None), latch("seen", 2, part="latch-b"))
    result = timing(history_of(other, blind, seen))
    assert result.models[0].obstacle == "unobserved"
    assert result.answers[0].pulse.recommended_ms is None


def test_a_contact_on_the_door_gives_no_pulse_no_wait_and_no_cue():
    rows = commands("door", Truth(median_ms=1500, scatter=0.5), _rng(), kind="door",
                    pulse_ms=8000.0)
    venue = venue_of(latch("door", 1, contact_senses="door"))
    model, answer = _only(timing(history_of(venue, rows)))
    assert model.obstacle == answer.pulse.state == "door"
    assert answer.wait.retry_ms is answer.sound.offset_ms is answer.pulse.recommended_ms is None
    assert model.quantiles  # What was seen is still shown.


def test_kinds_of_feedback_are_never_pooled():
    rng = _rng()
    frames = [commands("a", Truth(), rng, days=3),
              commands("b", Truth(median_ms=90), rng, days=60, kind="armature")]
    venue = venue_of(latch("a", 1), latch("b", 2, contact_senses="armature"))
    model = timing(history_of(venue, *frames)).models[0]
    assert model.obstacle == "too-few"


def test_a_magnet_gets_an_off_time_whatever_the_volts():
    rows = commands("bar", Truth(median_ms=400, exponent=0.0), _rng(), pulse_ms=5000.0,
                    kind="armature", volts=(10.8, 13.2))
    model, answer = _only(timing(history_of(venue_of(_magnet("bar", 1)), rows)))
    assert model.magnet
    assert model.exponent == 0
    assert model.reference_volts is None
    assert answer.pulse.longest_ms is None
    assert answer.pulse.recommended_ms >= answer.pulse.shortest_ms * 1.5 + 3000
    assert answer.sound.feedback  # A diode magnet: the cue starts from the feedback.


def test_only_what_came_after_the_last_service_counts():
    rng = _rng()
    before = commands("drawer", Truth(median_ms=60), rng, days=60)
    after = commands("drawer", Truth(median_ms=30), rng, days=40, at=START + timedelta(days=61))
    day = (START + timedelta(days=60)).date()
    service = SERVICE.conform(pl.DataFrame(
        {"date": [day], "lock": ["drawer"], "action": ["cleaned"]}))
    venue = venue_of(latch("drawer", 1))
    model, answer = _only(timing(history_of(venue, before, after, service=service)))
    alone, same = _only(timing(history_of(venue, after)))
    assert answer.pulse == same.pulse
    assert model.need_ms == alone.need_ms
    assert model.first_day == date(2026, 5, 2)


def test_two_clocks_give_no_latency():
    rows = commands("drawer", Truth(), _rng(), days=30).with_columns(across_clocks=pl.lit(True))
    model, _ = _only(timing(history_of(venue_of(latch("drawer", 1)), rows)))
    assert model.two_clocks == rows.height
    assert model.basis == "none"


def test_an_empty_venue_and_an_empty_log_are_answered():
    assert timing(history_of(venue_of(), week=_week())).models == ()
    model, answer = _only(timing(history_of(venue_of(latch("drawer", 1)), week=_week())))
    assert model.obstacle == "too-few"
    assert answer.pulse.longest_ms == 500  # The rating stands without any log.


def test_inputs_are_not_modified(plain):
    kept = plain.actuations.clone()
    timing(plain)
    assert_frame_equal(plain.actuations, kept)


def test_waits_follow_the_risk_the_duty_and_common_practice(plain):
    result = timing(plain)
    model, answer = _only(result)
    wait = answer.wait
    assert wait.retry_ms == 300
    # 10 % duty is 30 s of a cycle of five minutes: every try of an opening is far within it.
    assert (1 + wait.retries) * answer.pulse.recommended_ms <= 0.1 * 300_000
    assert wait.stuck_ms == wait.retries * wait.retry_ms + wait.late_ms
    assert wait.left <= 0.001
    late = [lock_answer(model, result.settings, risk=r).wait.late_ms for r in (0.05, 0.01, 0.0001)]
    assert late == sorted(late)
    assert late[0] < late[-1]


def test_a_coil_without_room_for_two_pulses_in_a_duty_cycle_is_given_its_rest():
    # 0.05 % of five minutes are 150 ms: one pulse of 100 ms, and the next after its rest.
    rows = commands("drawer", Truth(silent=0.0), _rng(), days=60, a_day=3, pulse_ms=100.0)
    _, answer = _only(timing(history_of(venue_of(latch("drawer", 1, duty_percent=0.05)), rows)))
    assert answer.pulse.recommended_ms == 100
    assert answer.wait.retries == 1
    assert answer.wait.retry_ms == 200_000


def test_the_cue_sits_where_most_openings_lie_inside_the_window(plain):
    result = timing(plain)
    model, answer = _only(result)
    points = np.array(model.points_ms)

    def inside(offset: float, before: float, after: float) -> float:
        return np.mean((points >= offset - before) & (points <= offset + after))

    every = np.arange(-200, 300, 0.5)
    for cue, before, after in ((answer.sound, 125, 45), (answer.light, 45, 125)):
        assert cue.share == inside(cue.offset_ms, before, after)
        assert cue.share == max(inside(offset, before, after) for offset in every)
        assert inside(cue.from_ms, before, after) >= cue.share - 0.01
        assert inside(cue.to_ms, before, after) >= cue.share - 0.01
        assert cue.from_ms <= cue.offset_ms <= cue.to_ms
    # The centre of the window lies 40 ms off: the trade's rule of median + 40 ms for a sound.
    assert answer.sound.offset_ms == pytest.approx(np.median(points) + 40, abs=8)


def test_a_lock_of_wide_scatter_is_told_to_start_the_cue_from_the_feedback():
    rows = commands("drawer", Truth(median_ms=200, scatter=0.5), _rng(), pulse_ms=3000.0)
    venue = venue_of(latch("drawer", 1, max_on_ms=5000.0))
    _, answer = _only(timing(history_of(venue, rows)))
    assert answer.sound.share < 0.9
    assert answer.sound.feedback


def _week():
    from remanence.shared.weeks import Week

    return Week(2026, 20)


def test_schema_of_the_simulated_rows():
    assert commands("a", Truth(), _rng(), days=1).schema == ACTUATIONS.schema


def test_a_pulse_shorter_than_any_in_the_log_is_said_to_be_untried():
    rows = commands("drawer", Truth(), _rng(), days=90)
    venue = _on_battery(latch("drawer", 1))
    _, answer = _only(timing(history_of(venue, rows)))
    assert answer.pulse.untried  # All pulses of the log were 250 ms.
    assert answer.pulse.below_log
    rows = commands("drawer", Truth(), _rng(), days=90, pulse_ms=[50.0, 250.0])
    _, tried = _only(timing(history_of(venue, rows)))
    assert not tried.pulse.below_log
    # Between a pulse that fails and one that is ample lies one that nobody has tried.
    rows = commands("drawer", Truth(), _rng(), days=90, pulse_ms=[20.0, 250.0])
    _, between = _only(timing(history_of(venue, rows)))
    assert (between.pulse.untried, between.pulse.below_log) == (True, False)


def _on_battery(*locks):
    venue = venue_of(*locks)
    return replace(venue, supplies=(replace(venue.supplies[0], source="battery"),))


def _used(pulse_ms: float, *, battery: bool = False, **lock: object):
    """The answer for a lock that has long been given this pulse; it needs about 53 ms at most."""
    venue = (_on_battery if battery else venue_of)(latch("drawer", 1, **lock))
    rows = commands("drawer", Truth(silent=0.0), _rng(), days=90, pulse_ms=pulse_ms)
    return _only(timing(history_of(venue, rows)))[1].pulse


def test_the_pulse_in_use_is_kept_where_it_answers_and_the_coil_bears_it():
    kept = _used(240.0)
    assert (kept.change, kept.recommended_ms) == ("keep", 240.0)
    assert not kept.untried
    # 900 ms that are in use ask for no look at the lock: it needs a tenth of that.
    long = _used(900.0, max_on_ms=10_000.0)
    assert (long.change, long.recommended_ms, long.beyond_usual) == ("keep", 900.0, False)


@pytest.mark.parametrize(("in_use", "lock", "change"), [
    (240.0, {"max_on_ms": 200.0}, "long"), (56.0, {}, "margin"), (38.0, {}, "short")])
def test_a_pulse_that_will_not_do_is_changed_and_said_why(in_use, lock, change):
    found = _used(in_use, **lock)
    assert found.change == change
    assert found.recommended_ms != in_use
    assert found.recommended_ms >= found.shortest_ms
    assert found.untried


def test_a_battery_asks_for_a_shorter_pulse_and_a_rail_that_cannot_fire_all_at_once():
    saving = _used(240.0, battery=True)
    assert saving.change == "battery"
    assert saving.recommended_ms < 100
    rng = _rng()
    locks = [latch(f"d{i}", i, coil_ohms=4.0) for i in range(1, 4)]
    frames = [commands(f"d{i}", Truth(), rng, days=40, sag=1.0) for i in range(1, 4)]
    crowded = timing(history_of(venue_of(*locks), *frames))
    assert crowded.groups
    assert {answer.pulse.change for answer in crowded.answers} == {"rail"}


def _part_with(sick: Truth):
    rng = _rng()
    frames = [commands(f"d{i}", Truth(), rng, days=40) for i in range(1, 5)]
    frames.append(commands("sick", sick, rng, days=40, pulse_ms=4000.0))
    locks = [latch(f"d{i}", i) for i in range(1, 5)]
    few = commands("few", Truth(), rng, days=3)
    last = [latch("sick", 8, max_on_ms=5000.0), latch("few", 9)]
    return timing(history_of(venue_of(*locks, *last), *frames, few))


def test_a_lock_that_needs_far_longer_than_its_part_is_mended_not_given_a_longer_pulse():
    result = _part_with(Truth(median_ms=300, scatter=0.3))
    models = {m.lock: m for m in result.models}
    answers = {a.lock: a for a in result.answers}
    assert models["sick"].mend_first
    assert answers["sick"].pulse.state == "mend"
    assert answers["sick"].pulse.recommended_ms is None
    assert not models["d1"].mend_first
    # It lends nothing to a lock that has too few releases of its own.
    assert models["few"].siblings == ("d1", "d2", "d3", "d4")


def test_a_slower_lock_within_what_is_usual_keeps_a_pulse_and_a_warning():
    result = _part_with(Truth(median_ms=90, scatter=0.15))
    sick = next(a for a in result.answers if a.lock == "sick")
    assert next(m for m in result.models if m.lock == "sick").mend_first
    assert sick.pulse.recommended_ms is not None


def test_the_power_of_volts_is_found_where_the_rail_moves_and_kept_at_the_textbook_where_not():
    rng = _rng()
    wide = commands("a", Truth(exponent=-3.5, scatter=0.06), rng, days=90, volts=(10.5, 13.0))
    still = commands("b", Truth(exponent=-3.5, scatter=0.06), rng, days=90, volts=(11.99, 12.01))
    found = {}
    for name, rows in (("a", wide), ("b", still)):
        (found[name],) = timing(history_of(venue_of(latch(name, 1)), rows)).models
    assert found["a"].exponent_steep < -3.5 < found["a"].exponent_shallow
    assert found["a"].exponent == pytest.approx(-3.5, abs=0.5)
    assert found["b"].exponent == pytest.approx(-2.0, abs=0.3)
    assert found["b"].exponent_steep < -3


def test_coarse_polling_gives_longer_pulses_never_shorter():
    fine, coarse = (
        _only(timing(history_of(venue_of(latch("drawer", 1)), commands(
            "drawer", Truth(), _rng(), days=90, step_ms=step))))[1].pulse.shortest_ms
        for step in (1.0, 20.0))
    assert fine < coarse < 90


def _share(model, pulse_ms: float, volts: float) -> float:
    """Share released, read off the drawn curve."""
    curve = release_curve(model, volts, 200.0)
    return float(np.interp(pulse_ms, curve.pulse_ms, curve.share))


def test_the_curve_never_falls_with_length_nor_with_volts():
    rows = commands("drawer", Truth(silent=0.01), _rng(), days=60, pulse_ms=[32.0, 250.0])
    model, _ = _only(timing(history_of(venue_of(latch("drawer", 1)), rows)))
    for curve in (release_curve(model, 11.6, 120.0), lower_curve(model, 11.6, 120.0)):
        assert list(curve.pulse_ms) == sorted(curve.pulse_ms)
        assert list(curve.share) == sorted(curve.share)
        assert curve.pulse_ms[-1] == 120.0
        assert 0.9 < curve.share[-1] <= 1
    shares = [_share(model, 33.0, volts) for volts in (10.5, 11.0, 11.6, 12.0, 12.4)]
    assert shares == sorted(shares)
    assert shares[0] < shares[-1]


def test_the_fitted_curve_agrees_with_an_isotonic_fit_of_bare_outcomes():
    # Reference: scikit-learn's isotonic regression of released/not on pulse length, which is
    # the maximum-likelihood monotone curve where nothing but the outcome is known (Barlow et
    # al. 1972). Ours also uses the latencies; both must see the same lock.
    from sklearn.isotonic import IsotonicRegression

    pulses = np.linspace(20, 50, 16)
    rows = commands("drawer", Truth(silent=0.0, scatter=0.15), _rng(), days=250, a_day=10,
                    pulse_ms=pulses, volts=(11.99, 12.01), retries=False)
    model, _ = _only(timing(history_of(venue_of(latch("drawer", 1)), rows)))
    reference = IsotonicRegression(out_of_bounds="clip").fit(
        rows["pulse_ms"].to_numpy(), (rows["outcome"] == "released").to_numpy().astype(float))
    for pulse in pulses:
        # 150 outcomes at each length: two standard errors are 0.08.
        assert _share(model, float(pulse), 12.0) == pytest.approx(
            float(reference.predict([pulse])[0]), abs=0.09)


def test_what_a_command_says_of_the_pulse_needed():
    from remanence.analytics.timing.sample import lock_sample

    rows = ACTUATIONS.conform(pl.DataFrame({
        "lock": ["d"] * 4, "attempt": [1] * 4,
        "command_time": [START + timedelta(hours=i) for i in range(4)],
        "outcome": ["released", "released", "no-release", "no-release"],
        # While the pulse lasted; after it had ended; never; never, and the pulse still lasts.
        "pulse_ms": [200.0, 50.0, 40.0, None], "latency_ms": [30.0, 80.0, None, None],
        "waited_ms": [30.0, 80.0, 1040.0, 700.0], "latency_from": ["catch"] * 4,
    }))
    lock = latch("d", 1)
    sample = lock_sample(history_of(venue_of(lock), rows), lock, rows, 52)
    assert sample.need_ms.tolist() == [30.0, 50.0, 40.0, 700.0]
    assert sample.latency_ms.tolist() == [30.0, 80.0, 1040.0, 700.0]


def test_a_borrower_is_drawn_to_its_own_median_as_far_as_it_is_known():
    rng = _rng()
    frames = [commands(f"d{i}", Truth(), rng, days=40) for i in (1, 2, 3)]
    locks = [latch(f"d{i}", i) for i in range(1, 5)]
    medians = []
    for days in (0, 1, 8):
        own = [commands("d4", Truth(median_ms=45), rng, days=days)] if days else []
        model = timing(history_of(venue_of(*locks), *frames, *own)).models[3]
        assert model.basis == "borrowed"
        medians.append(float(np.median(model.points_ms)))
    assert medians[0] == pytest.approx(30, abs=1.5)
    assert medians[0] < medians[1] <= medians[2] + 1
    assert medians[2] == pytest.approx(45, abs=4)  # Eight days, each with its own mood.


def test_the_less_the_part_agrees_the_wider_is_what_it_lends():
    found = []
    for medians in ((30, 30, 30, 30), (20, 26, 34, 45)):
        rng = _rng()
        frames = [commands(f"d{i}", Truth(median_ms=m), rng, days=40)
                  for i, m in enumerate(medians)]
        locks = [*(latch(f"d{i}", i) for i in range(4)), latch("new", 9)]
        model = timing(history_of(venue_of(*locks), *frames)).models[4]
        reach = model.need_ms["0.999"] / np.quantile(model.need_points_ms, 0.99)
        found.append((model.location_factor, reach))
    assert 1.05 < found[0][0] < found[1][0]
    # The bound holds the upper end of where the lock may stand, not its middle alone.
    assert all(reach > factor for factor, reach in found)
