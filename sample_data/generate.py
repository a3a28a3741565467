"""Write the demo venue: its file, half a year of logs, its service log, and the truth."""

from __future__ import annotations

import gzip
import io
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from remanence.sample_data import physics, records
from remanence.sample_data.answers import SET_VOLTS, Surroundings, answer
from remanence.sample_data.faults import DEMO_FAULTS
from remanence.sample_data.games import SECOND, commands, moment
from remanence.sample_data.truth import Truth
from remanence.shared.venue import Venue
from remanence.shared.venue_file import parse_venue

DEFAULT_SEED = 20261122
DEFAULT_END = date(2026, 11, 22)
DEFAULT_WEEKS = 26
VENUE_FILE = Path(__file__).with_name("venue.toml")

RESTART_DAYS_BEFORE_END = 96
"""The yard's controller restarted on that day, and announced all its states again."""


def write_demo(
    folder: Path, seed: int = DEFAULT_SEED, weeks: int = DEFAULT_WEEKS, end: date = DEFAULT_END
) -> Truth:
    """Write the demo venue into ``folder``.

    The same arguments give the same bytes. Written are ``venue.toml``,
    ``logs/WEEK.csv.gz`` (one file per ISO 8601 week of UTC days), ``service.csv``
    and ``truth.json``.

    Parameters
    ----------
    folder : Path
        Made if it is not there; files of the same names are replaced.
    seed : int
        Of the random numbers.
    weeks : int, default 26
        How long the log is. Faults that began earlier are there from its first day.
    end : date
        Its last day.

    Returns
    -------
    Truth
        What was put in.
    """
    text = VENUE_FILE.read_text(encoding="utf-8")
    venue = parse_venue(text, str(VENUE_FILE))
    start = end - timedelta(days=7 * weeks - 1)
    rng = np.random.default_rng(seed)
    around = _surroundings(rng, venue, start, end)
    rows = answer(rng, venue, around, commands(rng, venue, start, end))
    switched = pl.concat([
        records.command_records(venue, rows).with_columns(quantity=pl.lit("command")),
        records.contact_records(rng, venue, around, rows).with_columns(
            quantity=pl.lit("contact")
        ),
    ])
    switched = pl.concat([_first_states(venue, switched, start), switched])
    switched = pl.concat([switched, _restart(venue, switched, end)])
    switched = switched.with_columns(value=pl.col("value").cast(pl.Int64).cast(pl.String))
    logs = folder / "logs"
    logs.mkdir(parents=True, exist_ok=True)
    count = 0
    with ThreadPoolExecutor(2) as pool:
        written = []
        for first, last in _spans(start, end):
            low, high = _utc(first), _utc(last + timedelta(days=1))
            volts = [
                records.volts_records(rng, venue, around, rows, rail, low, high)
                for rail in SET_VOLTS
            ]
            frame = pl.concat([
                switched.filter(pl.col("time").is_between(low, high, closed="left")),
                pl.concat(volts).select(
                    "time", "channel", pl.col("value").cast(pl.String),
                    quantity=pl.lit("volts"),
                ),
            ]).pipe(_logged, venue, end)
            count += frame.height
            name = f"{first.isocalendar().year}-W{first.isocalendar().week:02d}.csv.gz"
            written.append(pool.submit(_write, frame, logs / name))
        for job in written:
            job.result()
    truth = Truth(
        venue.id, seed, start, end,
        tuple(told for fault in DEMO_FAULTS if (told := fault.told(start, end))), count,
    )
    (folder / "venue.toml").write_text(text, encoding="utf-8")
    (folder / "service.csv").write_text(_service_log(venue, start, end), encoding="utf-8")
    truth.write(folder / "truth.json")
    return truth


def _utc(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * SECOND


def _spans(start: date, end: date) -> list[tuple[date, date]]:
    """ISO weeks from ``start`` to ``end``, the first and the last perhaps cut."""
    spans, day = [], start
    while day <= end:
        last = min(day + timedelta(days=6 - day.weekday()), end)
        spans.append((day, last))
        day = last + timedelta(days=1)
    return spans


def _surroundings(
    rng: np.random.Generator, venue: Venue, start: date, end: date
) -> Surroundings:
    days = (end - start).days + 1
    day_of_year = np.array([(start + timedelta(days=n)).timetuple().tm_yday for n in range(days)])
    # Warmest at the end of July.
    season = 4.5 * np.cos((day_of_year - 207) / 365.25 * 2 * np.pi)
    ambient = 1.0 + season + physics.wander(rng, days, 0.75, 1.2)
    volts = {
        rail: physics.wander(rng, days, 0.7, 0.0025 * level) for rail, level in SET_VOLTS.items()
    }
    return Surroundings(
        moment(venue, start, 0.0), moment(venue, end + timedelta(days=1), 0.0), ambient, volts
    )


def _first_states(venue: Venue, switched: pl.DataFrame, start: date) -> pl.DataFrame:
    """At its start each controller announces the state of every channel."""
    firsts = switched.sort("time", maintain_order=True).group_by(
        "channel", "quantity", maintain_order=True
    ).first()
    # The state before the first change is the other one.
    return firsts.select(
        time=pl.lit(moment(venue, start, 5.0)), channel="channel",
        value=1.0 - pl.col("value"), quantity="quantity",
    )


def _restart(venue: Venue, switched: pl.DataFrame, end: date) -> pl.DataFrame:
    """The yard's controller comes back and announces all its states."""
    at = moment(venue, end - timedelta(days=RESTART_DAYS_BEFORE_END), 14.37)
    mine = switched.filter(pl.col("channel").str.starts_with("yard/") & (pl.col("time") < at))
    last = mine.sort("time", maintain_order=True).group_by(
        "channel", "quantity", maintain_order=True
    ).last()
    return last.select(
        time=pl.lit(at, pl.Int64), channel="channel", value="value", quantity="quantity"
    )


def _logged(frame: pl.DataFrame, venue: Venue, end: date) -> pl.DataFrame:
    """What reached the log, in order, as text columns."""
    restart = moment(venue, end - timedelta(days=RESTART_DAYS_BEFORE_END), 14.37)
    saturday = end - timedelta(days=(end.weekday() - 5) % 7)
    gap = (moment(venue, saturday, 13.0), moment(venue, saturday, 18.0))
    lost = (
        pl.col("channel").str.starts_with("yard/")
        & pl.col("time").is_between(restart - 45 * SECOND, restart, closed="left")
    ) | (
        pl.col("channel").str.starts_with("upper/") & pl.col("time").is_between(*gap)
    )
    return (
        frame.filter(~lost)
        .sort("time", "channel", "quantity", maintain_order=True)
        .select(
            pl.from_epoch("time", "us").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"),
            "channel", "quantity", "value",
        )
    )


def _write(frame: pl.DataFrame, path: Path) -> None:
    text = io.BytesIO()
    frame.write_csv(text)
    # No name and no time in the header: the same log gives the same bytes.
    path.write_bytes(gzip.compress(text.getvalue(), compresslevel=1, mtime=0))


def _service_log(venue: Venue, start: date, end: date) -> str:
    """Release tests of every lock on a way out, and the repairs."""
    lines = []
    skips = {f.subject: f.began_days for f in DEMO_FAULTS if f.acts_on == "no-test"}
    doors = [lock for lock in venue.locks if lock.on_way_out]
    for number, lock in enumerate(doors):
        # Every four weeks; one lock has been passed over since.
        newest = end - timedelta(days=6 + number % 3)
        if lock.id in skips:
            newest = end - timedelta(days=skips[lock.id] + 31)
        for month in range(60):
            day = newest - timedelta(days=28 * month)
            if day < start - timedelta(days=28):
                break
            note = "power cut by hand: let go" if lock.fail_safe else "opened from inside by hand"
            lines.append(f"{day},{lock.id},release-tested,,{note},passed")
    for fault in DEMO_FAULTS:
        if fault.service and fault.mended_days is not None:
            action, part, note = fault.service
            day = end - timedelta(days=fault.mended_days)
            if day >= start:
                lines.append(f"{day},{fault.subject},{action},{part},{note},")
    return "date,lock,action,part,note,result\n" + "\n".join(sorted(lines)) + "\n"
