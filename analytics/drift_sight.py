"""How small a change of each lock's release could have been seen; no news is not good news."""

from __future__ import annotations

import polars as pl

from analytics.drift import LEAST_RELEASES, drifts
from analytics.history import History

SIGHT_SCHEMA = pl.Schema({
    "lock": pl.String(), "releases": pl.Int64(), "detectable_percent": pl.Float64(),
    "detectable_ms": pl.Float64(), "volts_known": pl.Boolean(), "why": pl.String(),
})


def drift_sight(history: History) -> pl.DataFrame:
    """What could be seen of each lock's latency in the week of ``history``.

    Returns
    -------
    polars.DataFrame
        One row per lock of the venue, in the venue file's order.

        - ``lock``
        - ``releases`` : answered first attempts since the baseline's start
        - ``detectable_percent``, ``detectable_ms`` : smallest lasting change that two weeks at
          this lock's pace would show at five standard deviations; null where none would
        - ``volts_known`` : whether rail volts could be allowed for
        - ``why`` : what stands in the way; empty where nothing does
    """
    judged = drifts(history).current
    rows: list[tuple[str, int, float | None, float | None, bool, str]] = []
    for lock in history.venue.locks:
        drift = judged.get(lock.id)
        if lock.latency_kind is None:
            rows.append((lock.id, 0, None, None, False,
                         "no feedback: nothing in the log tells when it lets go"))
            continue
        if drift is None:
            rows.append((lock.id, 0, None, None, False, "no release in the log"))
            continue
        days = drift.days
        count = int(days.releases.sum())
        volts = bool(days.volts_known.mean() > 0.5)
        if count < LEAST_RELEASES:
            rows.append((lock.id, count, None, None, volts,
                         f"only {count} releases since its baseline began"))
            continue
        rows.append((
            lock.id, count, 100 * drift.detectable, drift.detectable * days.reference_ms, volts,
            _why(drift.detectable, days.resolution_ms, days.reference_ms, days.phase_tied,
                 lock.latency_kind == "door", volts or not lock.pulsed),
        ))
    return pl.DataFrame(rows, schema=SIGHT_SCHEMA, orient="row")


def _why(
    detectable: float, resolution_ms: float, reference_ms: float, tied: bool, door: bool,
    volts: bool,
) -> str:
    reasons = []
    if door:
        reasons.append("the contact is on the door: the time a person takes is in the latency")
    if tied and resolution_ms > 0.1 * reference_ms:
        reasons.append(
            f"polled every {resolution_ms:.3g} ms in step with the command: what lies between "
            "two polls cannot be told"
        )
    elif resolution_ms > 0.25 * reference_ms:
        reasons.append(f"polled every {resolution_ms:.3g} ms")
    if not volts:
        reasons.append("rail volts are not logged: a low rail looks like a slow lock")
    if detectable > 0.3 and not reasons:
        reasons.append("few or widely scattered releases")
    return "; ".join(reasons)
