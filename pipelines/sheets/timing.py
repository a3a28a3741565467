"""``remanence timing``: the designer's sheet, its numbers, and values for the controller."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from remanence.analytics.timing.answer import LockAnswer
from remanence.analytics.timing.gather import Timing, timing
from remanence.analytics.timing.model import QUANTILES, LockModel
from remanence.pipelines.sheets.write_files import write_file, write_files
from remanence.shared.cells import text_cell
from remanence.shared.errors import RemanenceError
from remanence.shared.venue import Venue
from remanence.shared.weeks import Week


@dataclass(frozen=True)
class TimingOutcome:
    """The sheet as written."""

    folder: Path
    timing: Timing
    beside: tuple[Path, ...] = ()
    faults: tuple[str, ...] = ()

    def text(self) -> str:
        """What to print: how many locks have a pulse, which have none, and where the sheet is."""
        answers = self.timing.answers
        given = sum(answer.pulse.recommended_ms is not None for answer in answers)
        lines = [f"Pulse or off-time for {given} of {len(answers)} locks"]
        lines += [f"  none for {answer.lock}: {_WHY[answer.pulse.state]}"
                  for answer in answers if answer.pulse.recommended_ms is None]
        lines += [f"For the controller: {path}" for path in self.beside]
        lines.append(f"Designer's sheet: {self.folder / 'index.html'}")
        return "\n".join(lines)


_WHY = {
    "none": "no pulse both releases it and keeps to its rating",
    "mend": "it needs far longer than the locks of its part: mend it first",
    "door": "its contact is on the door, a person's time is in every latency",
    "unobserved": "nothing shows when it releases",
    "too-few": "too few releases, and no lock of its part to borrow from",
}


def timing_of_log(venue: Venue, venue_path: Path) -> Timing:
    """The timing of all locks, from the newest day of the store back.

    Raises
    ------
    RemanenceError
        The store is at fault or holds no records.
    """
    from remanence.pipelines.sheets.load import load_history
    from remanence.pipelines.store.store import Store

    days = Store.open(venue, venue_path).days()
    if not days:
        raise RemanenceError(
            f"{venue_path}: its store holds no records; take logs in first with remanence ingest"
        )
    weeks = math.ceil(venue.limits.timing_weeks) + 1
    return timing(load_history(
        venue, venue_path, Week.of(max(days)), weeks=weeks, tables=("actuations",)))


def write_timing(
    venue: Venue, venue_path: Path, out: Path, *, header: Path | None = None,
    yaml: Path | None = None, language: str = "en",
) -> TimingOutcome:
    """Write ``index.html``, ``timing.csv`` and ``timing.json`` into ``out``.

    Parameters
    ----------
    venue : Venue
        Whose store has been taken in and derived.
    venue_path : Path
        The venue file.
    out : Path
        Folder to write.
    header, yaml : Path, optional
        Files for the recommended values as a C header and as YAML.
    language : str, default "en"
        Language of the page.

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
    from remanence.pipelines.sheets.health import made_at

    found = timing_of_log(venue, venue_path)
    number = version("remanence-locks")
    data = {"venue": venue.id, "made_at": made_at().strftime("%Y-%m-%dT%H:%M:%SZ"),
            "remanence": number, **found.as_json()}
    files = render_timing(found, venue.limits, language_code=language)
    files["timing.csv"] = timing_csv(found).encode()
    files["timing.json"] = (json.dumps(
        data, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()
    write_files(out, files)
    beside = []
    for path, text in ((header, c_header), (yaml, yaml_text)):
        if path is not None:
            write_file(path, text(found, number).encode())
            beside.append(path)
    return TimingOutcome(out, found, tuple(beside))


def timing_csv(found: Timing) -> str:
    """One line a lock: what to programme, what it rests on, and the latency quantiles."""
    rows = [_csv_row(model, answer)
            for model, answer in zip(found.models, found.answers, strict=True)]
    text = io.StringIO()
    names = list(rows[0]) if rows else ["lock"]
    writer = csv.DictWriter(text, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows({name: text_cell(cell) for name, cell in row.items()} for row in rows)
    return text.getvalue()


def _csv_row(model: LockModel, answer: LockAnswer) -> dict[str, Any]:
    pulse, wait = answer.pulse, answer.wait
    row: dict[str, Any] = {
        "lock": model.lock, "room": model.room, "part": model.part, "supply": model.supply,
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
        "falls_short": pulse.falls_short, "pulse_now_ms": _figure(model.pulse_median_ms),
        "late_ms": _figure(wait.late_ms), "retry_after_ms": _figure(wait.retry_ms),
        "retries": wait.retries, "stuck_after_ms": _figure(wait.stuck_ms),
        "false_alarm_share": _figure(wait.left),
        "cue_sound_after_ms": _figure(answer.sound.offset_ms),
        "cue_sound_share": _figure(answer.sound.share),
        "cue_light_after_ms": _figure(answer.light.offset_ms),
        "cue_light_share": _figure(answer.light.share),
        "cue_from_feedback": "yes" if answer.sound.feedback else "",
    }
    known = {quantile.share: quantile for quantile in model.quantiles}
    for share in QUANTILES:
        name = f"p{share * 100:g}".replace(".", "_")
        quantile = known.get(share)
        row[f"{name}_ms"] = _figure(quantile.value_ms if quantile else None)
        row[f"{name}_low_ms"] = _figure(quantile.low_ms if quantile else None)
        row[f"{name}_high_ms"] = _figure(quantile.high_ms if quantile else None)
    return row


def _figure(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"
