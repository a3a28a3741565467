"""What each week's report found, kept in the store: a page tells a lock's history from it, and the
next week's findings go on from those that stand.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from remanence.analytics.conditions.life import Standing
from remanence.shared.errors import RemanenceError
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
    """
    target = folder / "findings" / f"{week}.json"
    target.parent.mkdir(parents=True, exist_ok=True)
    draft = target.with_name(target.name + ".part")
    draft.write_text(json.dumps({
        "schema": SCHEMA,
        "said": [[f.subject, f.condition] for f in findings],
        "standing": [_plain(item) for item in standing],
    }, ensure_ascii=False) + "\n", encoding="utf-8")
    draft.replace(target)


def earlier_findings(folder: Path, week: Week, weeks: int = 53) -> list[Said]:
    """What the reports of the weeks before ``week`` found, oldest first.

    Raises
    ------
    RemanenceError
        A kept file cannot be read.
    """
    said: list[Said] = []
    for earlier, path in _kept(folder, week, weeks):
        try:
            held = json.loads(path.read_text(encoding="utf-8"))
            pairs = held["said"] if isinstance(held, dict) else held
            said.append((earlier, tuple((str(who), str(what)) for who, what in pairs)))
        except (ValueError, TypeError, KeyError, OSError) as error:
            raise _unreadable(path, earlier, error) from None
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
    RemanenceError
        The kept file cannot be read.
    """
    kept = _kept(folder, week, weeks)
    if not kept:
        return None, ()
    last, path = kept[-1]
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(held, dict):
            return None, ()
        return last, tuple(_standing(item) for item in held["standing"])
    except (ValueError, TypeError, KeyError, OSError, RemanenceError) as error:
        raise _unreadable(path, last, error) from None


def _kept(folder: Path, week: Week, weeks: int) -> list[tuple[Week, Path]]:
    paths = [(week.plus(-ago), folder / "findings" / f"{week.plus(-ago)}.json")
             for ago in range(weeks, 0, -1)]
    return [(earlier, path) for earlier, path in paths if path.is_file()]


def _unreadable(path: Path, week: Week, error: Exception) -> RemanenceError:
    return RemanenceError(
        f"{path}: cannot be read ({error}); remove it, and run the report of {week} again if its "
        "findings are wanted")


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
    return Standing(made, held["sag_volts"], held["clear"], _day(held["clear_since"]))
