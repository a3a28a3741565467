"""Series of other fields, played as a magnet's time to release, one value a day, judged weekly.

``python -m tests.published.foreign`` prints what was said of each.
"""

import csv
import sys
import tomllib
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from remanence.analytics.conditions.diagnosis import raised
from remanence.analytics.conditions.latency import lost_diode, slow_drop, weakening_hold
from remanence.analytics.drift.judge import drifts
from remanence.shared.tables import ACTUATIONS
from tests.analytics.physics.latency_rows import FIRST_MONDAY, history_at, lock

SERIES = Path(__file__).parent / "series"
WITH_A_LEVEL = (
    "well_log", "run_log", "nile", "server_load_a", "server_load_b", "server_load_c",
    "server_load_d", "server_load_e", "server_load_f", "office_temperature")
"""What stays about a level between its changes, as a lock does."""
WITHOUT_A_LEVEL = ("shanghai_license", "jfk_passengers", "lga_passengers", "brent_spot")
"""Applicants, passengers and prices, which grow: what people call no change is none of a lock's."""
SCATTER = 0.06
"""A series is brought to this scatter from value to value (natural log), which single releases of a
lock have: one power for all of it, so that its changes keep their size in its own scatter."""
AGREE, NEAR = 2, 5
"""A change is what so many people (one, where only one was asked) marked this near each other."""
LASTING, LASTING_VALUES, BEFORE_VALUES = 2.0, 14, 28
"""A mark is a change of level where the medians of so many values after and before it differ by so
many scatters; else a single event, which is neither a change nor a quiet part."""
SETTLED = 21
"""Values after a change at which it is entered as work done: a new baseline begins."""
DUE = 14
"""Values after a change within which it ought to be named: two weeks."""
UNJUDGED = {**dict.fromkeys((f"server_load_{letter}" for letter in "abcdef"), 0.15),
            "office_temperature": 0.15}
"""Share of a series at its begin that its people did not mark: the benchmark's own rule."""
JUDGES = (slow_drop, weakening_hold, lost_diode)
MAGNET = lock("magnet", kind="magnet")


def values_of(name):
    """The values of a series, in their order."""
    if name == "nile":
        import statsmodels.api as sm

        return sm.datasets.nile.load_pandas().data["volume"].to_numpy(float)
    with (SERIES / f"{name}.csv").open() as lines:
        return np.array([float(row["value"]) for row in csv.DictReader(lines)])


def marked(name):
    """What people marked: of each the places."""
    return tomllib.loads((SERIES / "annotations.toml").read_text())[name]


def changes_of(name, level):
    """Places of the lasting changes that people agree on, in order."""
    people = marked(name)
    groups = []
    for place in sorted(place for person in people for place in person):
        if groups and place - groups[-1][-1] <= NEAR:
            groups[-1].append(place)
        else:
            groups.append([place])
    agreed = [int(np.median(group)) for group in groups
              if sum(any(place in group for place in person) for person in people)
              >= min(AGREE, len(people))]
    return [place for place in agreed if _lasts(level, place)]


def _size(level, place):
    before, after = level[max(place - BEFORE_VALUES, 0):place], level[place:place + LASTING_VALUES]
    return abs(np.median(after) - np.median(before))


def _lasts(level, place):
    return _size(level, place) >= LASTING * SCATTER


def _would_show(rows, week):
    """The smallest change found in two weeks, as the program said the week before it."""
    return np.log1p(drifts(history_at([MAGNET], rows, week)).current["magnet"].detectable_change)


@dataclass
class Outcome:
    """What was said of a series: numbers of weeks, of values, and of changes.

    ``small`` are changes that the program itself had said would not show; ``left_out`` those that
    come within four weeks of a new baseline, or less than two before the next.
    """

    quiet_weeks: int = 0
    false: list = field(default_factory=list)
    delays: list = field(default_factory=list)
    off: list = field(default_factory=list)
    covered: list = field(default_factory=list)
    missed: list = field(default_factory=list)
    small: int = 0
    left_out: int = 0

    @property
    def due(self):
        """Changes that ought to be named within two weeks."""
        return len(self.delays) + len(self.missed)

    def __add__(self, other):
        return Outcome(*(getattr(self, name) + getattr(other, name) for name in vars(self)))


def judge(name):
    """Judge one series week by week, the way a venue's lock is judged."""
    value = np.log(values_of(name))
    step = np.diff(value)
    own = 1.4826 * np.median(np.abs(step - np.median(step))) / np.sqrt(2)
    level = (value - np.median(value)) * SCATTER / own
    changes = changes_of(name, level)
    doubtful = [place for person in marked(name) for place in person]
    out = Outcome()
    begin = int(UNJUDGED.get(name, 0.0) * level.size)
    for number, place in enumerate([*changes, None]):
        end = level.size if place is None else min([
            place + SETTLED, level.size, *changes[number + 1:number + 2]])
        _stretch(out, level, begin, place, end, doubtful, name)
        begin = end
    return out


def _stretch(out, level, begin, place, end, doubtful, name):
    """From one baseline to the next, with one change at most."""
    if place is not None and (place - begin < BEFORE_VALUES or end - place < DUE):
        out.left_out += 1
        return
    rows = _rows(level[begin:end])
    if place is not None and _size(level, place) < _would_show(rows, (place - begin) // 7 - 1):
        out.small += 1
        return
    named = None
    for week in range(4, (end - begin) // 7):
        last = begin + 7 * (week + 1)
        quiet = not any(begin <= one < last for one in doubtful)
        if not quiet and (place is None or last <= place or named):
            continue
        history = history_at([MAGNET], rows, week)
        found = [item for judged in JUDGES for item in judged(history)
                 if raised(item, history.venue.limits).urgency != "watch"]
        if quiet:
            out.quiet_weeks += 1
            out.false.extend((name, last) for _ in found)
        elif found and last - place <= DUE + 6:
            named = found[0]
            since, low, high = (
                begin + (day - FIRST_MONDAY).days
                for day in (named.since, named.since_low, named.since_high))
            out.delays.append(last - place)
            out.off.append(since - place)
            out.covered.append(low - 1 <= place <= high + 1)
    if place is not None and named is None:
        out.missed.append((name, place))


def _rows(level):
    latency = 300.0 * np.exp(np.clip(level, -2.2, 4.0))
    start = datetime.combine(FIRST_MONDAY, datetime.min.time(), UTC)
    count = latency.size
    return ACTUATIONS.conform(pl.DataFrame({
        "lock": ["magnet"] * count,
        "command_time": [start + timedelta(days=day, hours=12) for day in range(count)],
        "pulse_ms": [8000.0] * count, "outcome": ["released"] * count, "latency_ms": latency,
        "waited_ms": latency, "latency_from": ["armature"] * count,
        "resolution_ms": [0.1] * count, "bounces": [0] * count, "volts_before": [12.0] * count,
        "others_on": [0] * count, "attempt": [1] * count, "contact_edges": [2] * count,
    }).with_columns(pl.col("command_time").cast(pl.Datetime("us", "UTC"))))


def main(names):
    """Print what was said of each series, and of all of them."""
    whole = Outcome()
    for name in names:
        one = judge(name)
        whole += one
        print(name, one, flush=True)
    print(f"all: {len(whole.false)} false in {whole.quiet_weeks} quiet weeks; "
          f"{len(whole.delays)} of {whole.due} changes named in time; "
          f"since {sum(whole.covered)} of {len(whole.covered)}; too small {whole.small}, "
          f"left out {whole.left_out}")


if __name__ == "__main__":
    main(sys.argv[1:] or (*WITH_A_LEVEL, *WITHOUT_A_LEVEL))
