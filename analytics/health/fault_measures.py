"""The quantity that shows a lock's fault, week by week: what the first figure of its page draws."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import polars as pl

from remanence.analytics.health.model import FaultMeasure
from remanence.analytics.history import History
from remanence.shared.findings import Finding

_LEAST_READINGS = 3
"""A week with fewer readings has no point: one of them would be the whole (common practice)."""
_MOST_AMPS_MISSING = 0.5
"""Where more than this share of actuations has no current, the load is read off the rail's drop
instead (assumption)."""


@dataclass(frozen=True)
class _Measure:
    """One quantity: its table and the column of its time, unit, weekly value, what it counts."""

    id: str
    table: str
    unit: str
    value: pl.Expr
    count: pl.Expr


def _share(of: pl.Expr, among: pl.Expr) -> pl.Expr:
    return 100.0 * (of & among).sum() / among.sum()


_OUTCOME = pl.col("outcome")
_JUDGED = _OUTCOME.is_in(["released", "no-release"])
_CUT = pl.col("sag_ms").fill_null(pl.col("cut_ms"))

_MEASURES = (
    _Measure("unanswered", "actuations", "%", _share(_OUTCOME == "no-release", _JUDGED),
             _JUDGED.sum()),
    _Measure("already-open", "actuations", "%", _share(
        _OUTCOME == "already-open", _OUTCOME.is_not_null()), pl.len()),
    _Measure("pulse", "actuations", "ms", pl.col("pulse_ms").median(), pl.col("pulse_ms").count()),
    _Measure("coil-on", "actuations", "ms", _CUT.median(), _CUT.count()),
    _Measure("current", "actuations", "A", pl.col("amps").median(), pl.col("amps").count()),
    _Measure("sag", "actuations", "V", pl.col("sag_volts").median(), pl.col("sag_volts").count()),
    _Measure("load-after", "actuations", "ms", pl.col("sag_outlasts_ms").max(),
             pl.col("sag_outlasts_ms").count()),
    _Measure("spike", "actuations", "V", pl.col("off_spike_volts").median(),
             pl.col("off_spike_volts").count()),
    _Measure("bounces", "contact_changes", "", pl.col("bounces").mean(),
             pl.col("bounces").count()),
    _Measure("longest-on", "energisings", "ms", pl.col("on_ms").max(),
             pl.col("on_ms").count()),
)

SHOWN_BY: Mapping[str, str] = {
    "commands-without-release": "unanswered",
    "commands-without-any-change-of-the-contact": "unanswered",
    "commands-that-found-it-open": "already-open",
    "median-pulse": "pulse",
    "commands-that-the-switch-did-not-cut": "coil-on",
    "current-against-its-own-past-rail-s-change-taken-out": "current",
    "current-against-the-rail-s-other-locks-as-stated": "current",
    "median-sag-at-the-command": "current",
    "commands-that-drew-no-current": "current",
    "commands-that-the-load-outlasts": "load-after",
    "longest-load-after-the-command-s-end": "load-after",
    "switch-offs-with-a-spike": "spike",
    "further-edges-a-movement": "bounces",
    "commands-followed-by-an-opening-without-one": "opened-alone",
    "openings-while-energised": "opened-alone",
    "longest-time-on-this-week": "longest-on",
    "weekly-spike-at-switch-off": "spike",
    "weekly-sag": "sag",
    "weekly-current": "current",
}
"""Which quantity shows a figure of a finding; a figure that is not here is one of times to
release, of heat or of nothing that has weeks."""


def fault_measures(
    history: History, findings: Mapping[str, tuple[Finding, ...]]
) -> dict[str, FaultMeasure]:
    """The weekly quantity that shows each lock's first finding.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.
    findings : mapping of str to tuple of Finding
        By lock, most urgent first.

    Returns
    -------
    dict of str to FaultMeasure
        Of the locks whose first finding with figures has such a quantity, and where two weeks
        have it.
    """
    wanted = {lock: chosen for lock, own in findings.items() if (chosen := _chosen(own))}
    wanted = _load_without_amps(history, wanted)
    makers: dict[str, Callable[[History, list[str]], pl.DataFrame]] = {
        measure.id: _weekly_of(measure) for measure in _MEASURES}
    makers["opened-alone"] = _opened_alone
    units = {measure.id: measure.unit for measure in _MEASURES} | {"opened-alone": ""}
    found: dict[str, FaultMeasure] = {}
    for measure in sorted({chosen for chosen, _ in wanted.values()}):
        locks = sorted(lock for lock, (chosen, _) in wanted.items() if chosen == measure)
        weekly = makers[measure](history, locks).drop_nulls("value").sort("lock", "weeks_ago")
        for (lock,), rows in weekly.group_by(["lock"], maintain_order=True):
            if rows.height < 2:
                continue
            found[str(lock)] = FaultMeasure(
                measure, units[measure], wanted[str(lock)][1].condition,
                tuple((history.week.plus(-ago), value) for ago, value in rows.select(
                    "weeks_ago", "value").reverse().iter_rows()))
    return found


def _chosen(findings: tuple[Finding, ...]) -> tuple[str, Finding] | None:
    """The quantity of the first figure of the first finding that has one."""
    told = [finding for finding in findings if finding.evidence]
    if not told:
        return None
    measure = SHOWN_BY.get(told[0].evidence[0].id)
    return (measure, told[0]) if measure else None


def _load_without_amps(
    history: History, wanted: dict[str, tuple[str, Finding]]
) -> dict[str, tuple[str, Finding]]:
    """Where no current is logged, the voltage drop of the rail tells the same."""
    locks = [lock for lock, (measure, _) in wanted.items() if measure == "current"]
    if not locks:
        return wanted
    missing = history.actuations.filter(pl.col("lock").is_in(locks)).group_by("lock").agg(
        pl.col("amps").is_null().mean()).rows()
    blind = {lock for lock, share in missing if share > _MOST_AMPS_MISSING}
    return {lock: ("sag" if lock in blind else measure, finding)
            for lock, (measure, finding) in wanted.items()}


def _weekly_of(measure: _Measure) -> Callable[[History, list[str]], pl.DataFrame]:
    def made(history: History, locks: list[str]) -> pl.DataFrame:
        rows = history.dated(measure.table).filter(pl.col("lock").is_in(locks))
        return rows.group_by("lock", "weeks_ago").agg(
            value=pl.when(measure.count >= _LEAST_READINGS).then(measure.value.cast(pl.Float64)))
    return made


def _opened_alone(history: History, locks: list[str]) -> pl.DataFrame:
    """Openings without a command of each week that has commands, none where there were none."""
    mine = pl.col("lock").is_in(locks)
    weeks = history.dated("actuations").filter(mine).select("lock", "weeks_ago").unique()
    counted = history.dated("openings").filter(mine).group_by("lock", "weeks_ago").agg(
        value=pl.len().cast(pl.Float64))
    return weeks.join(counted, on=["lock", "weeks_ago"], how="left").with_columns(
        pl.col("value").fill_null(0.0))
