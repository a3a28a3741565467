"""How the cost of a health report grows with locks and with weeks, once actuations exist.

Run it by hand: ``python -m tests.bench.report_cost`` (a minute or two). It prints, for
venues made in memory, the processor seconds that each stage takes and the size of the
front page.
"""

from __future__ import annotations

import time
from dataclasses import replace

from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.health.gather import health, telling_actuations
from remanence.dashboards.health_report import render_health
from remanence.shared.venue import Venue
from tests.dashboards import small_venue

GAMES_A_DAY = 5
LOCKS = (10, 20, 40)
WEEKS = (13, 26, 52)


def house_of(locks: int) -> Venue:
    """The small venue's locks, repeated until there are so many."""
    small = small_venue.venue()
    kinds = [lock for lock in small.locks if lock.id != "never-used"]
    return replace(small, locks=tuple(
        replace(
            kinds[n % len(kinds)], id=f"lock-{n:02d}", room=f"Room {n // 8}",
            command=f"north/q{n}",
            contact=f"north/i{n}" if kinds[n % len(kinds)].contact else None,
        ) for n in range(locks)
    ))


def cost(locks: int, weeks: int) -> dict[str, float]:
    """Processor seconds of each stage (other work on the machine does not count), and sizes."""
    past = small_venue.history(weeks=weeks, house=house_of(locks), games=GAMES_A_DAY)
    marks = [time.process_time()]
    findings = diagnose(past)
    marks.append(time.process_time())
    requests = telling_actuations(past, findings)
    page = health(past, findings, version="0")
    marks.append(time.process_time())
    files = render_health(page)
    marks.append(time.process_time())
    return {
        "actuations": past.actuations.height, "findings": len(findings),
        "traces": len(requests), "diagnose_s": marks[1] - marks[0],
        "health_s": marks[2] - marks[1], "render_s": marks[3] - marks[2],
        "front_kb": len(files["index.html"]) / 1000,
    }


def main() -> None:
    """Print one line for each size of venue."""
    names = ("actuations", "diagnose_s", "health_s", "render_s", "front_kb")
    print(f"{'locks':>6}{'weeks':>6}" + "".join(f"{name:>12}" for name in names))
    for locks in LOCKS:
        for weeks in WEEKS:
            figures = cost(locks, weeks)
            print(f"{locks:>6}{weeks:>6}" + "".join(
                f"{figures[name]:>12.2f}" if name.endswith("_s") else f"{figures[name]:>12.0f}"
                for name in names), flush=True)


if __name__ == "__main__":
    main()
