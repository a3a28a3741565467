"""What each week's report found, kept in the store, so that a page can tell a lock's history."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from remanence.pipelines.store.kept import keep, kept_file
from remanence.shared.errors import StoreError
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

    Raises
    ------
    StoreError
        The store cannot be written.
    """
    text = json.dumps([[f.subject, f.condition] for f in findings], ensure_ascii=False) + "\n"
    keep(folder, f"findings/{week}", ".json", text.encode(), len(findings))


def earlier_findings(folder: Path, week: Week, weeks: int = 53) -> list[Said]:
    """What the reports of the weeks before ``week`` found, oldest first.

    Raises
    ------
    StoreError
        A kept file cannot be read.
    """
    said: list[Said] = []
    for ago in range(weeks, 0, -1):
        earlier = week.plus(-ago)
        try:
            path = kept_file(folder, f"findings/{earlier}", ".json")
            if path is None:
                continue
            pairs = json.loads(path.read_text(encoding="utf-8"))
            said.append((earlier, tuple((str(who), str(what)) for who, what in pairs)))
        except (ValueError, TypeError, RecursionError, OSError) as error:
            raise StoreError(
                f"the findings kept of {earlier} in {folder} cannot be read ({error}); set them "
                f"aside with: remanence verify VENUE --repair, and run the report of {earlier} "
                "again if they are wanted"
            ) from None
    return said
