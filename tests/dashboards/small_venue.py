"""A venue of eleven locks and twelve weeks, made in memory, for the tests of the pages.

Seeded and small. The numbers follow no physics beyond what the pages show: a catch that
sticks, a magnet that lets go late, a lock without feedback, names with markup in them.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from remanence.analytics.history import History
from remanence.shared.findings import Amount, Evidence, Finding, say
from remanence.shared.table import TIMESTAMP
from remanence.shared.venue import Lock, Part, Supply, Venue
from remanence.shared.weeks import Week

WEEK = Week(2026, 47)
NASTY = '<b onmouseover="x()">C & D</b>'


def venue() -> Venue:
    def latch(name: str, room: str, number: int, **more) -> Lock:
        return Lock(**{
            "id": name, "room": room, "guards": "container", "mechanism": "latch",
            "released_by": "power-on", "supply": "rail-a", "command": f"north/q{number}",
            "contact": f"north/i{number}", "contact_closed_when": "locked", "coil_ohms": 10.0,
            "max_on_ms": 500.0, "duty_percent": 10.0, "part": "latch-s", "suppression": "diode",
            "installed": date(2025, 2, 2), "release_within_ms": 400.0, **more,
        })

    def magnet(name: str, room: str, number: int, **more) -> Lock:
        return Lock(**{
            "id": name, "room": room, "guards": "doorway", "mechanism": "magnet",
            "released_by": "power-off", "supply": "rail-b", "command": f"south/q{number}",
            "contact": f"south/i{number}", "contact_closed_when": "locked",
            "contact_senses": "armature", "rated_amps": 0.5, "suppression": "diode",
            "holding_newtons": 2700.0, "part": "magnet-l", **more,
        })

    return Venue(
        id="lantern", name="The Lantern & Sons", time_zone="Europe/Lisbon",
        supplies=(
            Supply("rail-a", 12.0, "north/v", 15.0), Supply("rail-b", 12.0, "south/v", 10.0),
            Supply("spare", 24.0, None, None),
        ),
        parts=(Part("latch-s", "Spring latch, 12 V", 19.5, 21, 2, 100000),
               Part("magnet-l", "Holding magnet", 64.0, 14, 0)),
        locks=(
            latch("chart-drawer", "Chart room", 1), latch("bell-case", "Chart room", 2),
            latch("sextant-box", "Chart room", 3, contact=None),
            magnet("chart-door", "Chart room", 1),
            latch("oil-chest", "Lamp room", 4), latch("wick-drawer", "Lamp room", 5, self_cut=True,
                                                      contact=None),
            magnet("lamp-door", "Lamp room", 2), latch(NASTY, "Lamp <i>room</i>", 6),
            latch("fog-bell", "Gallery", 7, contact_senses="door"),
            magnet("gallery-door", "Gallery", 3), latch("never-used", "Gallery", 8),
        ),
    )


def _at(day: date, hour: int, minute: int, second: float = 0.0) -> datetime:
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=UTC) + timedelta(
        seconds=second)


def history(*, weeks: int = 12, quiet: bool = False, silent_week: bool = False,
            house: Venue | None = None, games: int = 3) -> History:
    """Twelve weeks up to 2026-W47; ``silent_week`` leaves the last one without any log."""
    house = house or venue()
    rng = np.random.default_rng(20261116)
    first = WEEK.plus(1 - weeks).monday
    days = [first + timedelta(days=n) for n in range(7 * weeks)]
    if silent_week:
        days = days[:-7]
    actuations, hours, activity, polling, energisings = [], [], [], [], []
    for day in days:
        ago = (WEEK.sunday - day).days // 7
        for index, lock in enumerate(house.locks):
            if lock.id == "never-used":
                continue
            for game in range(games):
                at = _at(day, 10 + 2 * game, 5 + index % 50, float(rng.uniform(0, 50)))
                usual = 420.0 if lock.is_magnet else 60.0
                if lock.id == "fog-bell":
                    usual = 2500.0
                latency = usual * float(rng.lognormal(0, 0.08))
                missed = False
                if not quiet and lock.id == "chart-drawer" and ago < 5:
                    latency *= 1.1 + 0.12 * (5 - ago)
                    missed = rng.uniform() < 0.06 * (5 - ago)
                if not quiet and lock.id == "lamp-door" and ago < 3:
                    latency *= 1.4
                pulse = 20_000.0 if lock.is_magnet else 400.0
                blind = lock.latency_kind is None
                sag = None if lock.is_magnet else 0.25 + float(rng.normal(0, 0.01))
                volts = 12.05 + float(rng.normal(0, 0.03))
                actuations.append({
                    "lock": lock.id, "command_time": at, "pulse_ms": pulse,
                    "outcome": "unobserved" if blind else "no-release" if missed else "released",
                    "latency_ms": None if blind or missed else latency,
                    "waited_ms": 1400.0 if missed or blind else latency,
                    "latency_from": lock.latency_kind, "resolution_ms": 1.0, "bounces": 1,
                    "volts_before": volts, "volts_min": volts - (sag or 0.0), "sag_volts": sag,
                    "others_on": int(rng.integers(0, 3)), "attempt": 1,
                })
                if ago < 2 and not lock.is_magnet:
                    # A held button on the first day of the week makes one coil hot.
                    held = lock.id == "oil-chest" and day == WEEK.monday and not quiet
                    on = 90_000.0 if held else pulse
                    energisings.append({"lock": lock.id, "start": at, "on_ms": on,
                                        "end": at + timedelta(milliseconds=on), "cut_ms": None})
        for supply in house.supplies[:2]:
            for hour in range(10, 18):
                middle = 12.05 + float(rng.normal(0, 0.01))
                hours.append({
                    "supply": supply.id, "hour": _at(day, hour, 0), "samples": 3600,
                    "idle_samples": 3000, "idle_median": middle, "idle_low": middle - 0.05,
                    "idle_high": middle + 0.05, "idle_deviation": 0.03,
                })
        for controller in ("north", "south"):
            polling.append({"controller": controller, "day": day, "resolution_ms": 1.0,
                            "edges": 60})
            activity += [{
                "controller": controller, "hour": _at(day, hour, 0), "records": 3700, "edges": 12,
                "first": _at(day, hour, 0), "last": _at(day, hour, 59, 59),
                "longest_silence_s": 1.0, "runs": 1,
            } for hour in range(10, 18)]
    frame = pl.DataFrame(actuations, schema_overrides={
        "command_time": TIMESTAMP, "sag_volts": pl.Float64, "latency_ms": pl.Float64})
    service = [(date(2026, 11, 10), "bell-case", "adjusted", "", "keeper <shimmed> 1 mm", None),
               (date(2026, 10, 28), "lamp-door", "release-tested", "", "let go at once", "passed")]
    return History.of(
        house, WEEK, actuations=frame,
        rail_hours=pl.DataFrame(hours, schema_overrides={"hour": TIMESTAMP}),
        activity=pl.DataFrame(activity, schema_overrides=dict.fromkeys(
            ("hour", "first", "last"), TIMESTAMP)),
        polling=pl.DataFrame(polling),
        openings=pl.DataFrame([{"lock": "lamp-door", "time": _at(WEEK.monday, 11, 30),
                                "energised": True}],
                              schema_overrides={"time": TIMESTAMP}).head(0 if silent_week else 1),
        energisings=pl.DataFrame(energisings, schema_overrides={
            "start": TIMESTAMP, "end": TIMESTAMP, "cut_ms": pl.Float64}),
        clock_events=pl.DataFrame([{
            "controller": "south", "time": _at(WEEK.monday, 12, 0), "kind": "step",
            "seconds": 3600.0, "mended": False, "file": "s.csv", "line": 9,
        }], schema_overrides={"time": TIMESTAMP}).head(0 if quiet or silent_week else 1),
        service=pl.DataFrame(service, orient="row", schema={
            "date": pl.Date, "lock": pl.String, "action": pl.String, "part": pl.String,
            "note": pl.String, "result": pl.String}),
    )


def findings() -> list[Finding]:
    return [
        Finding("lamp-door", "lock", "slow-drop", "now", 0.93, date(2026, 11, 2),
                date(2026, 10, 29), date(2026, 11, 5),
                (Evidence("median-latency", 590.2, "ms", 21, 575.0, 604.0, 421.0, 417.0,
                          425.0),),
                ("weakening-hold",),
                (say("release-slower", percent=Amount(40.0, "%"), now=Amount(590.0, "ms"),
                     before=Amount(421.0, "ms")),)),
        Finding("chart-drawer", "lock", "sticking-catch", "week", 0.97, date(2026, 10, 19), None,
                None,
                (Evidence("median-latency-at-rated-volts", 101.3, "ms", 21, 95.0, 108.0, 60.9,
                          60.1, 61.7),
                 Evidence("commands-without-release", 14.0, "%", 21, 5.0, 34.0, 0.0, 0.0, 2.0)),
                ("hot-coil",)),
        Finding("chart-drawer", "lock", "no-release", "week", 0.90, date(2026, 11, 9)),
        Finding("rail-a", "supply", "supply-sag", "plan", 0.72, date(2026, 11, 9), None, None,
                (Evidence("sag-per-ampere-against-before", 131.0, "%", 140, 129.0, 133.0, 100.0),)),
        Finding("south", "controller", "clock-fault", "watch", 0.8, date(2026, 11, 16)),
        Finding("chart-door", "lock", "release-test-due", "week", 0.999, None),
        Finding("gallery-door", "lock", "release-test-due", "week", 0.999, None),
        Finding(NASTY, "lock", "contact-chatter", "plan", 0.6, date(2026, 11, 1)),
    ]


def traces(requests) -> dict[str, pl.DataFrame]:
    """Signals for trace requests: command, contact and a rail that sags."""
    house = venue()
    found = {}
    for request in requests:
        lock = house.locks_by_id[request.lock]
        at = request.command_time
        releasing = float(lock.released_by == "power-on")
        rows = [(at, lock.command, "command", releasing)]
        if lock.contact and request.latency_ms is not None:
            rows.append((at + timedelta(milliseconds=request.latency_ms), lock.contact, "contact",
                         0.0))
        rail = house.supplies_by_id[lock.supply].channel
        rows += [(at + timedelta(milliseconds=ms), rail, "volts",
                  11.8 if 0 <= ms < 400 else 12.05) for ms in range(-400, 900, 10)]
        found[request.key] = pl.DataFrame(
            [(*row, 0, "x.csv", n) for n, row in enumerate(rows)], orient="row",
            schema={"time": TIMESTAMP, "channel": pl.String, "quantity": pl.String,
                    "value": pl.Float64, "run": pl.Int64, "file": pl.String, "line": pl.Int64},
        )
    return found
