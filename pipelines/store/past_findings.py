"""What each week's report found, kept in the store, so that a page can tell a lock's history."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from remanence.shared.errors import RemanenceError
from remanence.shared.findings import Finding
from remanence.shared.weeks import Week

Said = tuple[Week, tuple[tuple[str, str], ...]]


def keep_findings(folder: Path, week: Week, findings: Sequence[Finding]) -> None:
    """Keep (subject, condition) of every finding of a week; a week run again replaces its own.

    Parameters
    ----------
    folder : Path
        Of the store.
    week : Week
        Whose findings.
    findings : sequence of Finding
        All of them.
    """
    target = folder / "findings" / f"{week}.json"
    target.parent.mkdir(parents=True, exist_ok=True)
    draft = target.with_name(target.name + ".part")
    draft.write_text(
        json.dumps([[f.subject, f.condition] for f in findings], ensure_ascii=False) + "\n",
        encoding="utf-8",
    )
    draft.replace(target)


def earlier_findings(folder: Path, week: Week, weeks: int = 53) -> list[Said]:
    """What the reports of the weeks before ``week`` found, oldest first.

    Raises
    ------
    RemanenceError
        A kept file cannot be read.
    """
    said: list[Said] = []
    for ago in range(weeks, 0, -1):
        earlier = week.plus(-ago)
        path = folder / "findings" / f"{earlier}.json"
        if not path.is_file():
            continue
        try:
            pairs = json.loads(path.read_text(encoding="utf-8"))
            said.append((earlier, tuple((str(who), str(what)) for who, what in pairs)))
        except (ValueError, TypeError, OSError) as error:
            raise RemanenceError(
                f"{path}: cannot be read ({error}); remove it, and run the report of {earlier} "
                "again if its findings are wanted"
            ) from None
    return said
