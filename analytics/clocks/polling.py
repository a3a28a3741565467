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

How well a period fits is the mean of cos(2 pi difference / period): 1 where every difference is a
whole multiple of it, about 0 where they fall anywhere. So nothing need be said of how far off a
multiple still counts: a clock's step, a scan that jitters, a clock that drifts lower it by as much
as they blur the grid. Where the stamps are too few to tell, no period is claimed. The step of the
clock shows in the stamps themselves; the coarser of the two is what a latency can be trusted to.

The fit is Rayleigh's test against a known direction, the V test (K. V. Mardia and P. E. Jupp,
Directional Statistics, 2000, section 6.3; from memory); its use here is this program's own.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from remanence.analytics.clocks.instants import day_of, stamp
from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.shared.tables import POLLING

C = pl.col

PERIODS_MS = (
    1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 12.5, 15.0, 15.625, 16.0, 1000 / 60, 20.0, 24.0,
    25.0, 30.0, 32.0, 100 / 3, 40.0, 50.0, 60.0, 64.0, 75.0, 80.0, 100.0, 120.0, 125.0, 150.0,
    200.0, 250.0, 300.0, 400.0, 500.0, 1000.0,
)
"""Periods that controllers are programmed to. [ms] From memory of common scan times."""

PERIODS_US = 1000.0 * np.array(sorted(PERIODS_MS, reverse=True))
"""The same, longest first. [us]"""

STEPS_US = (1_000_000, 100_000, 10_000, 1_000, 100, 10, 4)
"""Steps that clocks count in, coarsest first. [us]"""

FINEST_STEP_US = 1
"""Stamps are kept as whole microseconds, so no clock shows a finer step."""

KEEPS_TO_STEP = 0.99
"""Share of the stamps that must lie on a clock's step: a few may have been stamped elsewhere."""

STEP_OF_FEW_US = 1_000
"""Coarsest step claimed of fewer than FEWEST stamps: that these lie on whole hundredths of a second
may be chance. [us]"""

FEWEST = 12
"""Differences below which no period is claimed."""

MOST = 256
"""About so many differences of a day are looked at; more tell nothing new."""

FITS, ANSWERS_FIT = 0.7, 0.85
"""Least fit of a period: a tenth of the stamps off the grid leaves 0.8, a scan that jitters by a
tenth of the period 0.67. And of delays, which cannot tell a mixture of commands in the scan and
beside it."""

CHANCE = 1e-7
"""How likely such a fit may be by chance: some 180 periods and reaches are tried, on every day of
every controller."""

LEAD = 0.25
"""The fit must be above that of the same delays without polling by this much."""

REACHES_US = (1_000_000, 10_000_000, 100_000_000, 1_000_000_000)
"""Longest differences used, one after the other. A resonator that is 0.5 % off blurs all beyond the
first, a crystal that is 50 ppm off those beyond the second or third. Of answers only the first."""

OFTEN = 3
"""How often a multiple must be seen to count."""

ANSWER_US = 2_000_000
"""A contact edge within this after a command may be its answer."""

SHUFFLES = 4
"""So often the stamps are made up without polling; the mean of these fits is steady to a few
hundredths, far below LEAD."""

DELAY_QUARTILES_APART = 1.349
"""Distance of a normal distribution's quartiles in standard deviations: 2 x 0.6745."""

FEWEST_OF_SPREAD = 4
"""Delays below which their spread is not told: quartiles need four."""

SHOWS_A_GRID = 12
"""Delays whose standard deviation is below the period over this show no grid of it: evenly spread
over a period they have its length over the root of 12."""

NEARLY = 0.8
"""A period is preferred to its own divisors if it fits this nearly as well as the best: of few
stamps off the grid some fall on a divisor's by chance."""

ALIKE = 0.1
"""Periods that differ by less than this are told apart by the closest fit."""

TIGHTEST = 0.999
"""Fits beyond this count as this, so that all that is made of them stays finite."""


def polling_of(records: pl.DataFrame) -> pl.DataFrame:
    """POLLING of each controller and UTC day that has edges.

    Parameters
    ----------
    records : polars.DataFrame
        Schema RECORDS of :mod:`remanence.analytics.pairing.edges`.

    Returns
    -------
    polars.DataFrame
        Columns ``controller``, ``day``, ``resolution_ms`` (the polling period where one shows, else
        the clock's step), ``edges`` and ``clock_ms`` of POLLING, by controller and day;
        ``ahead_ms`` and ``ahead_known`` null.
    """
    # A level that is said again was not seen to change then: repeats tell nothing of a poll. The
    # first record of a day is taken for a change, whatever days are looked at together.
    told = records.select(
        "controller", "lock", "on", ours=C.quantity == "contact", time=stamp("time"),
        day=day_of("time"), nth="time").sort("lock", "ours", "nth", "on").filter(
        pl.struct("lock", "ours", "day", "on").rle_id().is_first_distinct())
    told = told.sort("controller", "time", "ours")  # of one stamp the commands come first
    told = told.with_columns(part=pl.struct("controller", "day").rle_id().cast(pl.Int64))
    days = _clocks(told)
    periods = periods_of(told, days["clock_us"].to_numpy())
    return POLLING.conform(days.select(
        "controller", "day", "edges", clock_ms=C.clock_us / 1000,
    ).with_columns(resolution_ms=pl.coalesce(
        pl.Series(periods, dtype=pl.Float64) / 1000, "clock_ms")))


def _clocks(told: pl.DataFrame) -> pl.DataFrame:
    """By controller and day: how many stamps (``edges``), and the coarsest step that 99 % of them
    keep to (``clock_us``). States announced together are one stamp. Common practice, no source.
    """
    def kept(step: int) -> pl.Expr:
        keeps = (C.time % step == 0).mean() >= KEEPS_TO_STEP
        return keeps if step <= STEP_OF_FEW_US else keeps & (pl.len() >= FEWEST)

    return told.filter(_since().ne_missing(0)).group_by("part", maintain_order=True).agg(
        C.controller.first(), C.day.first(), edges=pl.len(), clock_us=pl.coalesce(
            *(pl.when(kept(step)).then(step) for step in STEPS_US), FINEST_STEP_US))


def _since() -> pl.Expr:
    """Time since the row before, null for the first of a part."""
    return pl.when(C.part == C.part.shift(1)).then(C.time.diff())


def periods_of(told: pl.DataFrame, clocks: Ints) -> list[float | None]:
    """The polling period of each controller and day, or days.

    Parameters
    ----------
    told : polars.DataFrame
        ``part`` (int from 0 on, which controller and days), ``time`` [us], ``ours`` (a contact's
        change; else a command), by part and time.
    clocks : array of int, shape (parts,)
        Step of the clock. [us]

    Returns
    -------
    list of float or None
        One of each part; None where no period shows. [us]
    """
    apart = _apart(told)
    fits, counts = _fits(apart, clocks.size)
    found: list[float | None] = [None] * clocks.size
    times, ours = told["time"].to_numpy(), told["ours"].to_numpy()
    begins = np.searchsorted(told["part"].to_numpy(), np.arange(clocks.size + 1))
    may = (fits >= FITS) & (clocks[:, None, None] < PERIODS_US)
    for part in np.flatnonzero(may.any(axis=(1, 2))).tolist():
        step, here = clocks[part], slice(begins[part], begins[part + 1])
        contacts, commands = np.unique(times[here][ours[here]]), times[here][~ours[here]]
        place = _likeliest(fits[part, :-1], counts[part, :-1], step)
        if place is not None and _beats_no_polling(
                fits[part, :-1, place], counts[part, :-1, 0], contacts, commands, place):
            found[part] = float(PERIODS_US[place])
            continue
        place = _likeliest(fits[part, -1:], counts[part, -1:], step)
        if place is not None and fits[part, -1, place] >= ANSWERS_FIT and _has_neighbours(
                apart.filter(C.part == part, C.way == ANSWERS)["apart"].to_numpy(), place):
            found[part] = float(PERIODS_US[place])
    return found


ANSWERS = len(REACHES_US)
"""The last of the ways to look: differences from command to answer, after those by reach."""


def _apart(told: pl.DataFrame) -> pl.DataFrame:
    """Differences: ``part``, ``apart`` and ``way``, about MOST of each part, from all over.

    From contact to contact (``way`` is the reach it is within), and from each edge to the next one
    where that is a contact's (ANSWERS).
    """
    contacts = told.filter("ours").select("part", apart=_since()).with_columns(
        way=pl.sum_horizontal(C.apart > reach for reach in REACHES_US).cast(pl.Int64)).filter(
        C.apart > 0, C.way < ANSWERS)
    answers = told.select("part", "ours", apart=_since()).filter(
        "ours", C.apart > 0, C.apart <= REACHES_US[0]).select(
        "part", "apart", way=pl.lit(ANSWERS, pl.Int64))
    nth, many = pl.int_range(pl.len()), (pl.len() - 1) // MOST + 1
    return pl.concat([every.filter((nth % many == 0).over("part"))
                      for every in (contacts, answers)])


def fit_of(apart: Ints, period: float) -> Reals:
    """How well each difference fits a period: from 1 (a multiple of it) to -1 (half way between).

    Parameters
    ----------
    apart : array of int, shape (n,)
        Differences between stamps. [us]
    period : float
        The period. [us]

    Returns
    -------
    array of float, shape (n,)

    One of less than half the period is no multiple of it, however near to none: 0, as if by chance.
    """
    turns = apart / period
    turns -= np.rint(turns)
    # (Seven digits will do, and take a fifth of the time.)
    return np.where(2 * apart < period, 0.0, np.cos((2 * np.pi * turns).astype(np.float32)))


def _fits(apart: pl.DataFrame, parts: int) -> tuple[Reals, Reals]:
    """Mean fit of the differences by part, way and period (0 of too few), and how many they are."""
    fits, counts = _totals(apart, parts)
    return np.where(counts >= FEWEST, fits / np.maximum(counts, 1), 0.0), counts


def totals_of(told: pl.DataFrame, parts: int) -> tuple[Reals, Reals]:
    """How well each part's differences fit each period, summed up.

    Parameters
    ----------
    told : polars.DataFrame
        As of :func:`periods_of`.
    parts : int
        How many parts.

    Returns
    -------
    array of float, shape (parts, ways, periods)
        Sums of the fits, by part, way to look and period of :data:`PERIODS_US`.
    array of float, shape (parts, ways, 1)
        Of how many differences.
    """
    return _totals(_apart(told), parts)


def _totals(apart: pl.DataFrame, parts: int) -> tuple[Reals, Reals]:
    each = apart["apart"].to_numpy()
    shape = parts, ANSWERS + 1
    whose = (apart["part"] * shape[1] + apart["way"]).to_numpy()

    def total(weights: Reals | None) -> Reals:
        each_way = np.bincount(whose, weights, parts * shape[1]).reshape(shape).astype(float)
        each_way[:, :-1] = each_way[:, :-1].cumsum(axis=1)  # (a reach holds the shorter ones)
        return each_way

    counts = total(None)
    fits = np.stack([total(fit_of(each, period)) for period in PERIODS_US], axis=2)
    return fits, counts[:, :, None]


def _likeliest(fits: Reals, counts: Reals, step: float) -> int | None:
    """The longest period that fits nearly as well as any; of near ones the closest fit."""
    chance = np.where((fits >= FITS) & (step < PERIODS_US),
                      chance_of_fit(fits, counts, step, PERIODS_US), 1.0)
    good = chance <= CHANCE
    if not good.any():
        return None
    reach = chance.min(axis=1).argmin()
    longest = int((fits[reach] >= NEARLY * fits[reach, good[reach]].max()).argmax())
    if not good[:, longest].any():
        return None  # a divisor of it could be claimed, but it may be the period as well
    alike = np.flatnonzero(
        good.any(axis=0) & (np.abs(PERIODS_US / PERIODS_US[longest] - 1) < ALIKE))
    return int(alike[fits[:, alike].sum(axis=0).argmax()])


def chance_of_fit(
    fit: Reals, count: Reals, step: Reals | float, period: Reals, usual: Reals | float = 0.0,
) -> Reals:
    """Bound on the chance of such a fit, of half as many differences: neighbours share a stamp.

    Parameters
    ----------
    fit, count : array of float
        Mean fit, and of how many differences.
    step : array of float or float
        Step of the clock. [us]
    period : array of float
        The period, or periods. [us]
    usual : array of float or float, default 0.0
        Mean fit without polling.

    Returns
    -------
    array of float
        Probabilities.

    Notes
    -----
    Chernoff's, where the fit is ``usual``: exp(-n D), D the divergence of two von Mises
    distributions. A stamp on a clock's grid fits exactly by chance as often as the step is to the
    period.
    """
    tight, loose = _concentration(fit), _concentration(usual)
    apart = (tight - loose) * fit - np.log(np.i0(tight) / np.i0(loose))
    # A period within a step of the clock fits by chance each time.
    apart = np.clip(np.minimum(apart, np.log(period / step)), 0.0, None)
    return np.where(fit > usual, np.exp(-count / 2 * apart), 1.0)


def _concentration(fit: Reals | float) -> Reals:
    """Of the von Mises distribution whose mean cosine this is.

    N. I. Fisher, Statistical Analysis of Circular Data, 1993, section 4.5.5; from memory.
    """
    r = np.clip(fit, 0.0, TIGHTEST)
    return np.where(r < 0.53, 2 * r + r**3 + 5 * r**5 / 6, np.where(
        r < 0.85, -0.4 + 1.39 * r + 0.43 / (1 - r), 1 / np.maximum(
            r**3 - 4 * r**2 + 3 * r, 1 - TIGHTEST)))


def _beats_no_polling(
    fits: Reals, counts: Reals, contacts: Ints, commands: Ints, place: int
) -> bool:
    """Whether a period fits, within some reach, far better than it would without polling."""
    period = float(PERIODS_US[place])
    used = np.flatnonzero(np.diff(contacts) <= REACHES_US[-1])
    used = used[:: (used.size - 1) // MOST + 1]
    usual, rng = np.zeros(len(REACHES_US)), np.random.default_rng(0)
    for _ in range(SHUFFLES):
        made = np.sort(_without_polling(contacts, commands, period, rng))
        apart = (made[1:] - made[:-1])[used]
        within = apart <= np.array(REACHES_US)[:, None]
        usual += (within @ fit_of(apart, period)) / np.maximum(within.sum(axis=1), 1) / SHUFFLES
    clear = (fits >= FITS) & (fits >= usual + LEAD) & (
        chance_of_fit(fits, counts, FINEST_STEP_US, np.array(period), usual) <= CHANCE)
    return bool(clear.any())


def _without_polling(
    contacts: Ints, commands: Ints, period: float, rng: np.random.Generator
) -> Ints:
    """Contact stamps as they might be if nothing polled them.

    Each command is answered by the delay of another one, blurred by as much as the
    delays vary, at most by half a period either way: delays that only take values a
    period apart vary by that.
    """
    blur = period / 2
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


def _has_neighbours(apart: Ints, place: int) -> bool:
    """Whether two neighbouring multiples of the period are seen often.

    One value alone is a multiple of anything, and every other multiple is what commands at the
    scan's half time make.
    """
    period = float(PERIODS_US[place])
    fitting = apart[fit_of(apart, period) >= FITS]
    multiples, seen = np.unique(np.rint(fitting / period), return_counts=True)
    return bool((np.diff(multiples[seen >= OFTEN]) == 1).any())
