"""One venue's share of a chain's work: what a worker does, and what it sends back."""

from __future__ import annotations

import json
import time
import traceback
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from remanence.shared.errors import RemanenceError
from remanence.shared.weeks import LAST, Week, asked_for

if TYPE_CHECKING:
    from remanence.analytics.chain import ChainLock
    from remanence.analytics.parts import LockNeed, Orders
    from remanence.shared.findings import Finding
    from remanence.shared.venue import Lock


@dataclass(frozen=True)
class VenueTask:
    """What a worker needs to know; plain values, as they go to other machines.

    Attributes
    ----------
    path : str
        The venue file.
    week : str or None
        ISO week of the health report; None: the newest.
    language : str
        Of the pages.
    now : str or None
        As :func:`~remanence.pipelines.sheets.weekly.run_weekly` takes it, ISO 8601.
    """

    path: str
    week: str | None = None
    language: str = "en"
    now: str | None = None


@dataclass(frozen=True)
class VenueDone:
    """What comes back.

    Attributes
    ----------
    kept : dict or None
        The venue's week (:class:`~remanence.analytics.chain.VenueWeek`) as plain values.
    faults : tuple of str
        What is at fault with the venue, or could not be written.
    again : bool
        Whether another try may help: no fault of the venue's data.
    report : str
        The health report's front page.
    seconds : float
        Time that it took.
    """

    kept: dict[str, Any] | None
    faults: tuple[str, ...] = ()
    again: bool = False
    report: str = ""
    seconds: float = 0.0


def run_venue(task: VenueTask) -> VenueDone:
    """Take one venue's logs in and write its sheets, as ``remanence weekly`` does.

    Nothing that is wrong with the venue raises: it comes back as a fault.
    """
    begun = time.monotonic()
    try:
        done = _weekly(task)
    except RemanenceError as error:
        done = VenueDone(None, (str(error),))
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        done = VenueDone(None, (f"{name}{error.strerror or error}",), again=True)
    except Exception:  # a fault of the program in one venue does not stop the others
        done = VenueDone(None, (f"a fault of the program:\n{traceback.format_exc()}",), again=True)
    return VenueDone(done.kept, done.faults, done.again, done.report, time.monotonic() - begun)


def _weekly(task: VenueTask) -> VenueDone:
    from remanence.pipelines.sheets.refresh import load_venue
    from remanence.pipelines.sheets.weekly import run_weekly
    from remanence.pipelines.store.store import Store

    outcome = run_weekly(
        task.path, week=asked_for(task.week) if task.week else None, language=task.language,
        now=datetime.fromisoformat(task.now) if task.now else None, again=True)
    if not {"report", "parts"} <= set(outcome.sheets):
        return VenueDone(None, outcome.faults)
    venue, path = load_venue(task.path)
    report, parts = outcome.sheets["report"], outcome.sheets["parts"]
    told = json.loads((report.folder / "findings.json").read_text("utf-8"))
    from remanence.analytics.chain import ChainFinding, ChainPart, VenueWeek

    orders: Orders = parts.orders  # type: ignore[attr-defined]
    findings: tuple[Finding, ...] = report.findings  # type: ignore[attr-defined]
    locks = venue.locks_by_id
    states: dict[str, int] = {}
    for row in told["locks"]:
        states[row["state"]] = states.get(row["state"], 0) + 1
    week = Week.parse(told["week"])
    kept = VenueWeek(
        venue.id, venue.name, str(week), week.sunday, max(Store.open(venue, path).days()),
        venue.currency,
        tuple(ChainFinding(
            f.subject, f.subject_kind, locks[f.subject].room if f.subject in locks else "",
            f.condition, f.urgency, round(f.score, 4), f.since,
            locks[f.subject].part if f.subject in locks else None) for f in findings),
        dict(sorted(states.items())),
        tuple(_lock(locks[need.lock], need, orders, row)
              for need, row in _together(orders, told["locks"])),
        tuple(ChainPart(
            o.part.id, o.part.description, o.part.unit_cost, o.part.lead_time_days,
            o.part.in_stock + o.part.on_order, o.part.rated_cycles,
            o.order_now) for o in orders.parts))
    return VenueDone(kept.as_json(), outcome.faults, report=str(report.front_page.resolve()))


def _together(orders: Orders, rows: list[dict[str, Any]]) -> list[tuple[LockNeed, dict[str, Any]]]:
    by_lock = {row["lock"]: row for row in rows}
    return [(need, by_lock[need.lock]) for need in orders.needs]


def _lock(lock: Lock, need: LockNeed, orders: Orders, row: dict[str, Any]) -> ChainLock:
    from remanence.analytics.chain import ChainLock, Unit, drift_points

    units = orders.units[lock.id]
    last = len(units.lives) - 1
    volts = "" if lock.rated_volts is None else f"{lock.rated_volts:g} V"
    return ChainLock(
        lock.id, lock.room, lock.part,
        ", ".join((lock.mechanism, lock.released_by, volts, row["latency_from"] or "unobserved")),
        row["latency_ms"]["value"], row["latency_ms"]["n"], need.cycles_per_week,
        need.chances[0], need.cause, drift_points(need.wear.weeks),
        tuple(Unit(fitted, unit.cycles, unit.entry, unit.failed, at == last, unit.end, unit.sign)
              for at, (unit, fitted) in enumerate(
                  zip(units.lives, units.fitted, strict=True))),
        tuple(row["findings"]), lock.latency_kind not in (None, "door"))


def inputs_digest(task: VenueTask) -> str:
    """What a venue's sheets are made of, as one digest: files by name, size and time of change.

    A venue whose digest is as it was is done: nothing about it is other than it was.

    Raises
    ------
    RemanenceError, OSError
        The venue file cannot be read.
    """
    import glob
    import hashlib

    from remanence.pipelines.sheets.refresh import last_week, load_venue
    from remanence.pipelines.sheets.sheet import program_version
    from remanence.pipelines.store.service_log import service_path

    venue, path = load_venue(task.path)
    folder = Path(path).parent
    names = {Path(path)}
    service = service_path(venue, path)
    if service is not None:
        names.add(service)
    for log in venue.all_logs:
        for pattern in log.files:
            names |= {folder / name for name in
                      glob.glob(pattern, root_dir=folder, recursive=True)}  # noqa: PTH207
    told = [program_version(), task.week or "", task.language]
    if task.week == LAST:  # another one each Monday
        told.append(str(last_week(venue)))
    for name in sorted(names):
        if name.is_file():
            state = name.stat()
            told.append(f"{name.relative_to(folder) if name.is_relative_to(folder) else name} "
                        f"{state.st_size} {state.st_mtime_ns}")
    return hashlib.sha256("\n".join(told).encode()).hexdigest()
