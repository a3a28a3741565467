"""What each week's report found, kept in the store: a page tells a lock's history from it, and the
next week's findings go on from those that stand.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from remanence.analytics.conditions.life import Standing
from remanence.pipelines.store.findings_files import KeptWeeks, name_of
from remanence.pipelines.store.kept import keep
from remanence.pipelines.store.manifest import read_manifest
from remanence.shared.errors import StoreError
from remanence.shared.findings import Amount, Evidence, Finding, Sentence
from remanence.shared.weeks import Week

Said = tuple[Week, tuple[tuple[str, str], ...]]

SCHEMA = 2
"""Version of the files; those of the first held pairs of subject and condition only."""


def keep_findings(
    folder: Path, week: Week, findings: Sequence[Finding], standing: Sequence[Standing] = ()
) -> None:
    """Keep what a week's report said, and what stands after it; run again, it replaces its own.

    Parameters
    ----------
    folder : Path
        Of the store.
    week : Week
        Whose findings.
    findings : sequence of Finding
        All of them: their subjects and conditions are kept.
    standing : sequence of Standing, default ()
        What goes on into the next week, whole.

    Raises
    ------
    StoreError
        The store cannot be written.
    """
    text = json.dumps({
        "schema": SCHEMA,
        "said": [[f.subject, f.condition] for f in findings],
        "standing": [_plain(item) for item in standing],
    }, ensure_ascii=False) + "\n"
    manifest = read_manifest(folder)
    if manifest is not None and name_of(week) not in manifest.kept:
        with contextlib.suppress(StoreError, OSError, ValueError):
            if KeptWeeks(folder).held(week) == json.loads(text):
                return  # its year holds it
    keep(folder, name_of(week), ".json", text.encode(), len(findings))


def earlier_findings(folder: Path, week: Week, weeks: int = 53) -> list[Said]:
    """What the reports of the weeks before ``week`` found, oldest first.

    Raises
    ------
    StoreError
        A kept file cannot be read.
    """
    said: list[Said] = []
    kept = KeptWeeks(folder)
    for earlier in _weeks_before(week, weeks):
        try:
            held = kept.held(earlier)
            if held is None:
                continue
            pairs = held["said"] if isinstance(held, dict) else held
            said.append((earlier, tuple((str(who), str(what)) for who, what in pairs)))
        except (ValueError, TypeError, KeyError, RecursionError, OSError) as error:
            raise _unreadable(folder, earlier, error) from None
    return said


def standing_findings(
    folder: Path, week: Week, weeks: int = 53
) -> tuple[Week | None, tuple[Standing, ...]]:
    """What stood at the end of the last week before ``week`` that was reported, and that week.

    Parameters
    ----------
    folder : Path
        Of the store.
    week : Week
        The week that is reported now.
    weeks : int, default 53
        How far to look back.

    Returns
    -------
    last : Week or None
        None where no report was kept, or none that holds what stood.
    standing : tuple of Standing

    Raises
    ------
    StoreError
        The kept file cannot be read.
    """
    kept = KeptWeeks(folder)
    for last in reversed(_weeks_before(week, weeks)):
        try:
            held = kept.held(last)
            if isinstance(held, dict):
                return last, tuple(_standing(item) for item in held["standing"])
            if held is not None:
                return None, ()  # An older program kept no more than names.
        except (ValueError, TypeError, KeyError, RecursionError, OSError) as error:
            raise _unreadable(folder, last, error) from None
    return None, ()


def _weeks_before(week: Week, weeks: int) -> list[Week]:
    return [week.plus(-ago) for ago in range(weeks, 0, -1)]


def _unreadable(folder: Path, week: Week, error: Exception) -> StoreError:
    return StoreError(
        f"the findings kept of {week} in {folder} cannot be read ({error}); set them "
        f"aside with: remanence verify VENUE --repair, and run the report of {week} "
        "again if they are wanted"
    )


def _plain(item: Standing) -> dict[str, Any]:
    made = item.finding
    fields = {name: value for name, value in vars(made).items()
              if name not in ("says", "evidence", "extra")}
    return {
        "finding": {name: str(value) if isinstance(value, (date, Week)) else value
                    for name, value in fields.items()},
        "evidence": [asdict(one) for one in made.evidence],
        "says": [[one.id, {name: _value(value) for name, value in one.values.items()}]
                 for one in made.says],
        "extra": dict(made.extra), "sag_volts": item.sag_volts, "clear": item.clear,
        "clear_since": str(item.clear_since) if item.clear_since else None,
        "serviced": str(item.serviced) if item.serviced else None, "signs": item.signs,
    }


def _value(value: Any) -> Any:
    if isinstance(value, Amount):
        return {"amount": value.value, "unit": value.unit}
    if isinstance(value, datetime):
        return {"moment": value.isoformat()}
    if isinstance(value, date):
        return {"day": value.isoformat()}
    return value


def _told(value: Any) -> Any:
    if not isinstance(value, Mapping):
        return value
    if "amount" in value:
        return Amount(value["amount"], value["unit"])
    if "moment" in value:
        return datetime.fromisoformat(value["moment"])
    return date.fromisoformat(value["day"])


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _standing(held: Mapping[str, Any]) -> Standing:
    fields = dict(held["finding"])
    for name in ("since", "since_low", "since_high", "ended"):
        fields[name] = _day(fields[name])
    first = fields.pop("first_named")
    made = Finding(**fields, says=tuple(
        Sentence(id, {name: _told(value) for name, value in values.items()})
        for id, values in held["says"]))
    made = replace(
        made, evidence=tuple(Evidence(**one) for one in held["evidence"]), extra=held["extra"],
        not_excluded=tuple(made.not_excluded), first_named=Week.parse(first) if first else None)
    return Standing(made, held["sag_volts"], held["clear"], _day(held["clear_since"]),
                    # Which older stores do not have:
                    _day(held.get("serviced")), held.get("signs", 0))
