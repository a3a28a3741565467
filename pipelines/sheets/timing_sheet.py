"""``remanence timing``: the designer's sheet, its numbers, and values for the controller."""

from __future__ import annotations

import argparse
import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from remanence.pipelines.sheets.sheet import (
    Sheet,
    SheetOutcome,
    SheetRun,
    program_version,
    unusable_text,
)

if TYPE_CHECKING:
    from remanence.analytics.health.lock_state import LockState
    from remanence.analytics.timing.answer import LockAnswer
    from remanence.analytics.timing.gather import Timing
    from remanence.analytics.timing.model import LockModel

TIMING_SCHEMA = 1
"""Version of timing.json."""


@dataclass(frozen=True)
class TimingOutcome(SheetOutcome):
    """The sheet as written."""

    folder: Path
    timing: Timing
    states: tuple[LockState, ...] = ()
    beside: tuple[Path, ...] = ()

    def text(self) -> str:
        """What to print: how many locks have a pulse, which have none, and where the sheet is."""
        answers = self.timing.answers
        given = sum(answer.pulse.recommended_ms is not None for answer in answers)
        lines = [f"Pulse or off-time for {given} of {len(answers)} locks"]
        lines += [f"  none for {answer.lock}: {_WHY[answer.pulse.state]}"
                  for answer in answers if answer.pulse.recommended_ms is None]
        lines += unusable_text(self.states)
        lines += [f"For the controller: {path}" for path in self.beside]
        lines.append(f"Designer's sheet: {self.front_page}")
        return "\n".join(lines)


_WHY = {
    "none": "no pulse both releases it and keeps to its rating",
    "mend": "it needs far longer than others of its model: repair it first",
    "door": "its contact is on the door, a person's time is in every latency",
    "unobserved": "nothing shows when it releases",
    "coarse-clock": "it cannot be measured with this clock",
    "too-few": "too few releases, and no lock of the same model to go by",
}


def timing_of_log(run: SheetRun) -> Timing:
    """The timing of all locks, from the end of the run's week back."""
    from remanence.analytics.timing.gather import timing

    weeks = math.ceil(run.ready.venue.limits.timing_weeks) + 1
    return timing(run.history(run.week, weeks, tables=("actuations",)))


def write_timing(run: SheetRun) -> TimingOutcome:
    """Write ``index.html``, ``timing.csv`` and ``timing.json``.

    Parameters
    ----------
    run : SheetRun
        Its options: ``header`` and ``yaml``, files for the recommended values as a C header
        and as YAML.

    Returns
    -------
    TimingOutcome

    Raises
    ------
    RemanenceError
        The store is at fault, or a file cannot be written.
    """
    from remanence.dashboards.timing_code import c_header, yaml_text
    from remanence.dashboards.timing_sheet import render_timing
    from remanence.dashboards.ways import TIMING, Ways
    from remanence.pipelines.sheets.report_sheet import made_at
    from remanence.pipelines.sheets.write_files import write_file, write_files

    venue, out = run.ready.venue, run.folder("timing")
    week = run.week
    states, found = run.states(week), timing_of_log(run)
    number = program_version()
    data = {"schema": TIMING_SCHEMA, "venue": venue.id,
            "made_at": made_at().strftime("%Y-%m-%dT%H:%M:%SZ"),
            "remanence": number, "week": str(week), **found.as_json()}
    for lock in data["locks"]:
        lock.update(states[lock["lock"]].as_json())
    ways = Ways(TIMING, run.ways(TIMING), tuple(venue.locks_by_id))
    files = render_timing(found, venue.limits, language_code=run.language, states=states,
                          ways=ways, files=("timing.csv", "timing.json"))
    files["timing.csv"] = timing_csv(found, states).encode()
    files["timing.json"] = (json.dumps(
        data, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()
    write_files(out, files)
    beside = []
    for name, text in (("header", c_header), ("yaml", yaml_text)):
        path = run.options.get(name)
        if path is not None:
            write_file(path, text(found, number, states).encode())
            beside.append(path)
    return TimingOutcome(out, found, tuple(states.values()), tuple(beside))


def timing_csv(found: Timing, states: Mapping[str, LockState]) -> str:
    """One line a lock: its state, what to programme, what it rests on, the latency quantiles."""
    from remanence.shared.cells import text_cell  # Costs Polars; only where it writes.

    rows = [_csv_row(model, answer, states[model.lock])
            for model, answer in zip(found.models, found.answers, strict=True)]
    text = io.StringIO()
    names = list(rows[0]) if rows else ["lock"]
    writer = csv.DictWriter(text, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows({name: text_cell(cell) for name, cell in row.items()} for row in rows)
    return text.getvalue()


def _csv_row(model: LockModel, answer: LockAnswer, known: LockState) -> dict[str, Any]:
    pulse, wait = answer.pulse, answer.wait
    row: dict[str, Any] = {
        "lock": model.lock, "room": model.room, "state": known.state,
        "findings": " ".join(item.condition for item in known.findings),
        "part": model.part, "supply": model.supply,
        "released_by": "power-off" if model.magnet else "power-on", "latency_from": model.kind,
        "basis": model.basis, "borrowed_from": " ".join(model.siblings),
        "borrowed_releases": model.borrowed_releases,
        "first_day": model.first_day, "last_day": model.last_day,
        "changed": model.changed, "commands": model.commands,
        "released": model.released, "unanswered": model.unanswered,
        "already_open": model.already_open, "unobserved": model.unobserved,
        "resolution_ms": _figure(model.resolution_ms),
        "pulse_state": pulse.state, "pulse_recommended_ms": _figure(pulse.recommended_ms),
        "pulse_shortest_ms": _figure(pulse.shortest_ms),
        "pulse_longest_ms": _figure(pulse.longest_ms), "at_volts": _figure(answer.slow_volts),
        "releases_at_first_try_share": _figure(pulse.stated),
        "expected_at_first_try_share": _figure(pulse.expected),
        "falls_short": pulse.falls_short, "pulse_change": pulse.change,
        "test_first": "yes" if pulse.untried else "",
        "pulse_now_ms": _figure(model.pulse_now_ms),
        "late_ms": _figure(wait.late_ms), "retry_after_ms": _figure(wait.retry_ms),
        "retries": wait.retries, "stuck_after_ms": _figure(wait.stuck_ms),
        "false_alarm_share": _figure(wait.left),
        "cue_sound_after_ms": _figure(answer.sound.offset_ms),
        "cue_sound_share": _figure(answer.sound.share),
        "cue_sound_share_low": _figure(answer.sound.share_low),
        "cue_light_after_ms": _figure(answer.light.offset_ms),
        "cue_light_share": _figure(answer.light.share),
        "cue_light_share_low": _figure(answer.light.share_low),
        "cue_from_feedback": "yes" if answer.sound.feedback else "",
    }
    from remanence.analytics.timing.model import TIMING_QUANTILES

    by_share = {quantile.share: quantile for quantile in model.quantiles}
    for share in TIMING_QUANTILES:
        name = f"p{share * 100:g}".replace(".", "_")
        quantile = by_share.get(share)
        row[f"{name}_ms"] = _figure(quantile.value_ms if quantile else None)
        row[f"{name}_low_ms"] = _figure(quantile.low_ms if quantile else None)
        row[f"{name}_high_ms"] = _figure(quantile.high_ms if quantile else None)
    return row


def _figure(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--header", type=Path, metavar="FILE",
                        help="write the values as a C header")
    parser.add_argument("--yaml", type=Path, metavar="FILE", help="write the values as YAML")


SHEET = Sheet(
    "timing", "write the designer's sheet: pulse, wait and cue from real latencies",
    "designer's sheet", write_timing, "timing", _options, data="timing.json", place=20)
