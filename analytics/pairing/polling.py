"""How finely a controller stamps its contacts: the period it polls at, or the step of its clock.

A polled input is an interval, not an instant: the contact moved at some time in
the period before the stamp. What limits a latency is the grid on which the contacts
are stamped; commands may lie on it (one scan reads and writes), or anywhere (software
that runs beside it), or on whole seconds (a show program). So the grid is looked for
in two ways:

- from contact edge to contact edge, over a second up to a quarter of an hour: whatever
  the commands do, these are whole multiples of the period. Commands on a grid of their
  own, answered after nearly the same time, could look like that; so the same is asked of
  stamps as they would be without polling: the commands as they were, each answered by
  another one's delay, blurred as far as the delays themselves vary
  (:func:`_without_polling`). The grid must show far more clearly than there.
- from command to the contact edge just after it, for controllers that stamp both in
  one scan and whose clock drifts against it too fast for the first way.

A share of stamps may be off the grid, scans may jitter, and the clock may drift. Where the
stamps are too few to tell, no period is claimed. The step of the clock shows in the
stamps themselves; the coarser of the two is what a latency can be trusted to.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import polars as pl

from remanence.analytics.pairing.edges import DAY_US
from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.shared.tables import POLLING

C = pl.col

PERIODS_MS = (
    1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 12.5, 15.0, 15.625, 16.0, 1000 / 60, 20.0, 24.0,
    25.0, 30.0, 32.0, 100 / 3, 40.0, 50.0, 60.0, 64.0, 75.0, 80.0, 100.0, 120.0, 125.0, 150.0,
    200.0, 250.0, 300.0, 400.0, 500.0, 1000.0,
)
"""Periods that controllers are programmed to. [ms] From memory of common scan times."""

_PERIODS = np.array(sorted(PERIODS_MS, reverse=True))

STEPS_US = (1_000_000, 100_000, 10_000, 1_000, 100, 10, 4)
"""Steps that clocks count in, coarsest first. [us]"""

ANSWER_REACH_US = 1_000_000
"""Differences longer than this are left out: a resonator 0.5 % off blurs them."""

FEWEST = 12
"""Differences below which no period is claimed."""

MOST = 256
"""Differences looked at; more tell nothing new."""

OFTEN = 3
"""How often a multiple must be seen to count."""

SHARE = 0.7
"""Least share of the differences that must be multiples; a tenth of the stamps off the grid leaves
four fifths of the differences on it."""

ANSWERS_SHARE = 0.85
"""The same for delays, which cannot tell a mixture of commands in the scan and beside it."""

CHANCE = 1e-7
"""How likely so many may be by chance: some 500 periods, tolerances and reaches are tried, on
every day of every controller."""

LEAD = 0.25
"""The share must be above that of the same delays without polling by this much."""

REACHES_US = (1_000_000, 10_000_000, 100_000_000, 1_000_000_000)
"""Longest differences used, one after the other. A resonator that is 0.5 % off blurs all beyond the
first, a crystal that is 50 ppm off those beyond the second or third."""

_REACHES_MS = np.array(REACHES_US) / 1000.0

ANSWER_US = 2_000_000
"""A contact edge within this after a command may be its answer."""

WIDEST = 0.2
"""No difference counts as a multiple that is further off than this share of the period."""

SHUFFLES = 4
"""So often the stamps are made up without polling; the mean of these shares is steady to a few
hundredths, far below LEAD."""

FINEST_STEP_MS = 0.001
"""Stamps are kept as whole microseconds, so no clock shows a finer step. [ms]"""

KEEPS_TO_STEP = 0.99
"""Share of the stamps that must lie on a clock's step: a few may have been stamped elsewhere."""

STEP_OF_FEW_US = 1_000
"""Coarsest step claimed of fewer than FEWEST stamps: that these lie on whole hundredths of a second
may be chance. [us]"""

HALF_STEP, WHOLE_STEP = 0.51, 1.01
"""A stamp is off by at most half its clock's step, the difference of two by a whole one; and a
hundredth more for rounding."""

DRIFT, DRIFTS_FOR_MS = 0.005, 200.0
"""Share by which a resonator may be off, and how long a difference it is allowed for: beyond that
the drift would make a multiple of everything."""

JITTER = 1 / 8
"""Share of the period by which a scan may come early or late."""

DELAY_QUARTILES_APART = 1.349
"""Distance of a normal distribution's quartiles in standard deviations: 2 x 0.6745."""

FEWEST_OF_SPREAD = 4
"""Delays below which their spread is not told: quartiles need four."""

SHOWS_A_GRID = 12
"""Delays whose standard deviation is below the period over this show no grid of it: evenly spread
over a period they have its length over the root of 12."""

NEARLY_NONE = 1e-9
"""Shares are kept so far off 0 and 1, so that their logarithms stay finite."""

NEARLY = 0.9
"""A period is preferred to its own divisors if it explains this share of what the best explains."""

ALIKE = 0.1
"""Periods that differ by less than this are told apart by the closest fit."""


def clock_step_ms(times: Ints) -> float | None:
    """The coarsest step that 99 % of the stamps keep to.

    Parameters
    ----------
    times : array of int
        Stamps, any order. [us, UTC]

    Returns
    -------
    float or None
        Milliseconds: one of 1000, 100, 10, 1, 0.1, 0.01 and 0.004, else 0.001. None without
        stamps; with fewer than twelve that differ nothing coarser than 1 ms is claimed.

    Notes
    -----
    Common practice, no source.
    """
    return _step_of(np.unique(times))  # states announced together are one stamp


def _step_of(times: Ints) -> float | None:
    """:func:`clock_step_ms` of stamps in order, each once."""
    if not times.size:
        return None
    steps = np.array(STEPS_US)
    kept = np.count_nonzero(times[:, None] % steps == 0, axis=0) >= KEEPS_TO_STEP * times.size
    kept &= (times.size >= FEWEST) | (steps <= STEP_OF_FEW_US)
    return float(steps[kept.argmax()]) / 1000.0 if kept.any() else FINEST_STEP_MS


def polling_period_ms(
    contacts: Ints, commands: Ints, step_ms: float = FINEST_STEP_MS
) -> float | None:
    """The period at which a controller's contacts are polled.

    Parameters
    ----------
    contacts, commands : array of int
        One controller's stamps, each sorted. [us, UTC]
    step_ms : float, default 0.001
        The step of its clock. Periods up to this are not looked for. [ms]

    Returns
    -------
    float or None
        Milliseconds; None where no period shows, or too few stamps are there.

    Notes
    -----
    Share of differences that are multiples of a period, against chance (Chernoff's bound) and
    against the same delays without polling; the test is this program's own.
    """
    contacts = _each_once(contacts)
    period = _from_contacts(contacts, commands, step_ms)
    return period if period is not None else _from_answers(contacts, commands, step_ms)


def _each_once(times: Ints) -> Ints:
    """Sorted stamps without repeats."""
    each: Ints = times[np.append(True, times[1:] != times[:-1])[:times.size]]
    return each


def _from_contacts(contacts: Ints, commands: Ints, step_ms: float) -> float | None:
    apart = contacts[1:] - contacts[:-1]
    used = np.flatnonzero(apart <= REACHES_US[-1])
    if used.size < FEWEST:
        return None
    shares, counts, _ = _shares(_some(apart[used]) / 1000.0, step_ms)
    place = _likeliest(shares, counts, step_ms)
    if place is None:
        return None
    period = float(_PERIODS[place])
    rng = np.random.default_rng(0)
    null = np.zeros(shares[place].shape)
    for _ in range(SHUFFLES):
        made = np.sort(_without_polling(contacts, commands, period, rng))
        made = (made[1:] - made[:-1])[used]
        null += _shares(_some(made) / 1000.0, step_ms, place)[0][0] / SHUFFLES
    clear = (shares[place] >= null + LEAD) & (_tail(shares[place], counts, null) <= CHANCE)
    return period if (clear & (shares[place] >= SHARE)).any() else None


def _likeliest(shares: Reals, counts: Reals, step_ms: float) -> int | None:
    """The longest period that explains nearly as much as any; of near ones the closest fit."""
    good = (shares >= SHARE) & (step_ms < _PERIODS)[:, None, None]
    if not good.any():
        return None
    good &= _tail(shares, counts, _by_chance(step_ms)[:, : shares.shape[1]]) <= CHANCE
    if not good.any():
        return None
    clearest = np.unravel_index(np.argmax(np.where(good, shares, 0.0)), shares.shape)
    beside = shares[:, clearest[1], clearest[2]]
    longest = int(np.flatnonzero(beside >= NEARLY * shares[clearest])[0])
    if not good[longest].any():
        return None  # a divisor of it could be claimed, but it may be the period as well
    alike = np.flatnonzero(good.any(axis=(1, 2))
                           & (np.abs(_PERIODS / _PERIODS[longest] - 1) < ALIKE))
    return int(alike[np.argmax(np.where(counts > 0, shares[alike], 0.0).sum(axis=(1, 2)))])


def _some(values: Ints) -> Ints:
    """At most MOST of them, from all over."""
    if values.size <= MOST:
        return values
    some: Ints = values[np.linspace(0, values.size - 1, min(MOST, values.size)).astype(int)]
    return some


def _tolerances(apart: Reals, step_ms: float, periods: Reals) -> list[Reals]:
    """How far from a multiple still counts: the clock's step, with drift, with a scan's jitter.

    Each of shape (periods, apart) or (periods, 1).
    """
    of = periods[:, None]
    return [
        np.minimum(HALF_STEP * step_ms, of * WIDEST),
        np.minimum(WHOLE_STEP * step_ms + DRIFT * np.minimum(apart, DRIFTS_FOR_MS),
                   of * WIDEST),
        of * JITTER,
    ]


@lru_cache(maxsize=16)
def _by_chance(step_ms: float) -> Reals:
    """Share of differences that are multiples by chance: periods, tolerances, reaches."""
    tolerances = _tolerances(np.array([DRIFTS_FOR_MS]), step_ms, _PERIODS)
    wide = np.stack([tolerance[:, 0] for tolerance in tolerances], axis=1)
    share = (2 * wide + step_ms) / _PERIODS[:, None]
    share[:, 0] = step_ms / _PERIODS  # of stamps on the clock's own grid, just the one that fits
    chance: Reals = np.clip(share, 0.0, 1.0)[:, :, None]
    return chance


def _shares(
    apart: Reals, step_ms: float, only: int | None = None
) -> tuple[Reals, Reals, Reals]:
    """Share of differences that are multiples, by period, tolerance and reach; and how many."""
    periods = _PERIODS if only is None else _PERIODS[only : only + 1]
    turns = np.round(apart / periods[:, None])
    # Less than a period apart is no multiple of it, however near to none.
    off = np.where(turns > 0, np.abs(apart - turns * periods[:, None]), np.inf)
    within = (apart[:, None] <= _REACHES_MS).astype(np.float32)
    counts = within.sum(axis=0, dtype=np.float64)
    counted = np.where(counts >= FEWEST, counts, 0.0)
    # (Counts up to MOST are whole numbers in half the room as well.)
    near = np.empty((periods.size, 3, apart.size), np.float32)
    for k, tolerance in enumerate(_tolerances(apart, step_ms, periods)):
        np.less_equal(off, tolerance, out=near[:, k], casting="unsafe")
    shares = (near @ within).astype(np.float64) / np.maximum(counts, 1)
    return shares, counted, turns


def _may_be_polled(stretches: Sequence[tuple[Ints, Ints, float]]) -> Flags:
    """Whether any period could be claimed of each stretch (contacts, commands and clock's step).

    Mostly none fits even as far off as the widest of all tolerances would have it, which can be
    asked of all stretches at once.
    """
    out = np.zeros(len(stretches), dtype=bool)
    number, parts = [], []
    for place, (contacts, commands, _) in enumerate(stretches):
        for part in (_contacts_apart(contacts), _answers_apart(contacts, commands)):
            if part.size >= FEWEST:
                number.append(place)
                parts.append(_some(part))
    if not parts:
        return out
    begin = np.cumsum([0, *(one.size for one in parts[:-1])])
    apart = np.concatenate(parts) / 1000.0
    step_ms = np.array([stretches[place][2] for place in number])
    within = [apart <= reach for reach in _REACHES_MS]
    counts = [np.add.reduceat(near, begin, dtype=np.int64) for near in within]
    fits = np.zeros(len(parts), dtype=bool)
    for period in _PERIODS:
        turns = np.round(apart / period)
        near = (turns > 0) & (np.abs(apart - turns * period) <= WIDEST * period)
        for reached, count in zip(within, counts, strict=True):
            found = np.add.reduceat(near & reached, begin, dtype=np.int64)
            fits |= (found / np.maximum(count, 1) >= SHARE) & (count >= FEWEST) & (
                step_ms < period)
    out[np.array(number)[fits]] = True
    return out


def _tail(share: Reals, count: Reals, chance: Reals) -> Reals:
    """Bound on the chance of such a share, of half as many differences: neighbours share a stamp.

    Chernoff's bound for the binomial tail, exp(-n D(share || chance)).
    """
    above = np.clip(share, NEARLY_NONE, 1 - NEARLY_NONE)
    p = np.clip(chance, NEARLY_NONE, 1 - NEARLY_NONE)
    distance = above * np.log(above / p) + (1 - above) * np.log((1 - above) / (1 - p))
    return np.where(share > chance, np.exp(-count / 2 * distance), 1.0)


def _without_polling(
    contacts: Ints, commands: Ints, period_ms: float, rng: np.random.Generator
) -> Ints:
    """Contact stamps as they might be if nothing polled them.

    Each command is answered by the delay of another one, blurred by as much as the
    delays vary, at most by half a period either way: delays that only take values a
    period apart vary by that.
    """
    blur = period_ms * 500.0
    if commands.size == 0:
        return contacts + rng.uniform(-blur, blur, contacts.size).astype(np.int64)
    latest = np.searchsorted(commands, contacts, side="right") - 1
    delay = contacts - commands[np.clip(latest, 0, None)]
    answers = (latest >= 0) & (delay <= ANSWER_US)
    made = contacts.copy()
    # Later edges too: a lock that is shut after a fixed time is not polled for that.
    for some in (answers, ~answers):
        if not some.any():
            continue
        own = delay[some]
        low, high = np.quantile(own, [0.25, 0.75])
        spread = (high - low) / DELAY_QUARTILES_APART if own.size >= FEWEST_OF_SPREAD else 0.0
        # Delays that vary by far less than a period show no grid of it, whatever they are.
        width = min(blur, spread) if SHOWS_A_GRID * spread > 2 * blur else 0.0
        other = rng.permutation(own) + rng.uniform(-width, width, own.size)
        made[some] = (commands[np.clip(latest[some], 0, None)] + other).astype(np.int64)
    return made


def _from_answers(contacts: Ints, commands: Ints, step_ms: float) -> float | None:
    """Of controllers that stamp commands and contacts in one scan: from command to answer."""
    differences = _answers_apart(contacts, commands)
    if differences.size < FEWEST:
        return None
    apart = _some(differences) / 1000.0
    shares, counts, turns = _shares(apart, step_ms)
    place = _likeliest(shares[:, :2, :1], counts[:1], step_ms)
    if place is None or shares[place, :2, 0].max() < ANSWERS_SHARE:
        return None
    near = np.abs(apart - turns[place] * _PERIODS[place]) <= WHOLE_STEP * step_ms + DRIFT * apart
    # Two neighbouring multiples at least, each seen often: one value alone is a multiple of
    # anything, and every other one is what commands at the scan's half time make.
    multiples, seen = np.unique(turns[place][near], return_counts=True)
    often = np.diff(multiples[seen >= OFTEN])
    return float(_PERIODS[place]) if (often == 1).any() else None


def _contacts_apart(contacts: Ints) -> Ints:
    """From contact to contact, as far as any reach."""
    apart = contacts[1:] - contacts[:-1]
    near: Ints = apart[apart <= REACHES_US[-1]]
    return near


def _answers_apart(contacts: Ints, commands: Ints) -> Ints:
    """:func:`contact_differences` of one controller's sorted stamps."""
    times = np.concatenate([commands, contacts])
    order = np.argsort(times, kind="stable")  # of one stamp the commands come first
    return contact_differences(times[order], order >= commands.size)


def contact_differences(times: Ints, is_contact: Sequence[bool] | np.ndarray) -> Ints:
    """From each edge to the next one of its controller, where that is a contact's.

    Parameters
    ----------
    times : array of int, shape (n,)
        Edges of one controller (commands and contacts), in time order. [us]
    is_contact : array of bool, shape (n,)
        Which of them are a contact's.

    Returns
    -------
    numpy.ndarray of int
        Differences above 0 and up to one second; the others are left out. [us]
    """
    step = np.diff(times)
    good = np.asarray(is_contact, dtype=bool)[1:] & (step > 0) & (step <= ANSWER_REACH_US)
    return step[good]


def polling_of(records: pl.DataFrame) -> pl.DataFrame:
    """POLLING of each controller and UTC day that has edges.

    Parameters
    ----------
    records : polars.DataFrame
        ``controller``, ``channel``, ``time`` [us, UTC], ``place``, ``quantity`` and ``value`` of
        commands and contacts: any order, repeats allowed.

    Returns
    -------
    polars.DataFrame
        Columns ``controller``, ``day``, ``resolution_ms`` (the polling period where one shows, else
        the clock's step), ``edges`` and ``clock_ms`` of POLLING, by controller and day.
    """
    # A level that is said again was not seen to change then: repeats tell nothing of a poll. The
    # first record of a day is taken for a change, whatever days are looked at together.
    told = records.with_columns(day=C.time // DAY_US).sort(
        "channel", "quantity", "time", "place").filter(
        pl.any_horizontal(C(name).ne_missing(C(name).shift(1))
                          for name in ("channel", "quantity", "day", "value"))
    ).select("controller", "time", "day", ours=C.quantity == "contact").sort("controller", "time")
    days = told.group_by("controller", "day", maintain_order=True).agg(stop=pl.len())
    stamps, ours, start = told["time"].to_numpy(), told["ours"].to_numpy(), 0
    rows, stretches = [], []
    for controller, day, stop in days.with_columns(C.stop.cum_sum()).rows():
        times, is_contact = stamps[start:stop], ours[start:stop]
        once = _each_once(times)
        step = _step_of(once)
        rows.append((controller, day, step, once.size, step))
        stretches.append((
            _each_once(times[is_contact]), times[~is_contact], step or FINEST_STEP_MS))
        start = stop
    for place in np.flatnonzero(_may_be_polled(stretches)):
        controller, day, step, edges, _ = rows[place]
        rows[place] = controller, day, polling_period_ms(*stretches[place]) or step, edges, step
    return POLLING.conform(pl.DataFrame(
        rows, schema={"controller": pl.String, "day": pl.Int32, "resolution_ms": pl.Float64,
                      "edges": pl.Int64, "clock_ms": pl.Float64}, orient="row"))
