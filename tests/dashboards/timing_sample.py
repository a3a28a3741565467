"""A designer's sheet of few locks that has every kind of answer, and the same many times over."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from remanence.analytics.timing.gather import Timing, timing
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Supply
from tests.analytics.timing.timing_venue import Truth, commands, history_of, latch, venue_of


def _magnet(name: str, number: int, **changes: object):
    return latch(name, number, mechanism="magnet", released_by="power-off", max_on_ms=None,
                 duty_percent=None, contact_senses="armature", part=None, **changes)


def sheet_of_every_kind() -> Timing:
    """Eight locks that have every kind of answer: good, none, borrowed, blind, door, magnet."""
    rng = np.random.default_rng(11)
    locks = [
        latch("chart-drawer", 1), latch("bell-drawer", 2),
        latch("tight-drawer", 3, max_on_ms=70.0), latch("short-drawer", 4, max_on_ms=30.0),
        latch("blind-hatch", 5, contact=None, room="Hold"),
        latch("cupboard <b>7</b>", 6, contact_senses="door", part=None, room="Hold"),
        _magnet("store-door", 7, guards="doorway", room="Store"), latch("new-flap", 8),
        latch("odd-latch", 9, part="latch-x", rated_volts=24.0),
    ]
    truths = {"chart-drawer": Truth(), "bell-drawer": Truth(median_ms=36, silent=0.004),
              "tight-drawer": Truth(), "short-drawer": Truth(slow_share=0.05)}
    frames = [commands(name, truth, rng, days=50, minute=5 * (i // 2), sag=0.9)
              for i, (name, truth) in enumerate(truths.items())]
    frames.append(ACTUATIONS.conform(commands("blind-hatch", Truth(), rng, days=9, minute=31)
                  .with_columns(outcome=pl.lit("unobserved"), latency_ms=None, sag_volts=None)))
    frames.append(commands("cupboard <b>7</b>", Truth(median_ms=1500), rng, days=9, kind="door",
                           minute=37, pulse_ms=4000.0))
    frames.append(commands("store-door", Truth(median_ms=400, exponent=0), rng, days=30,
                           kind="armature", minute=43, pulse_ms=5000.0))
    frames.append(commands("new-flap", Truth(), rng, days=4, minute=49, pulse_ms=40.0))
    venue = replace(venue_of(*locks), supplies=(
        Supply("rail-a", 12.0, channel="rail-a", rated_amps=4.5),))
    return timing(history_of(venue, *frames))


def many_times(sheet: Timing, locks: int) -> Timing:
    """The sheet with so many locks, each like one of its own."""
    numbered = [(n, n % len(sheet.models)) for n in range(locks)]
    return replace(
        sheet,
        models=tuple(replace(sheet.models[i], lock=f"{sheet.models[i].lock} {n}",
                             room=f"Room {n % 12}") for n, i in numbered),
        answers=tuple(replace(sheet.answers[i], lock=f"{sheet.answers[i].lock} {n}")
                      for n, i in numbered))
