"""Findings as a table, for people who think in tables."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from remanence.dashboards.finding_words import FindingText
from remanence.shared.findings import Finding
from remanence.shared.tables import FINDINGS
from remanence.shared.weeks import Week


def findings_rows(findings: Sequence[Finding], week: Week, text: FindingText) -> pl.DataFrame:
    """One row for each figure that a finding rests on; one without figures where it has none.

    Parameters
    ----------
    findings : sequence of Finding
        In the order in which they are to be said.
    week : Week
        Of which week.
    text : FindingText
        The words of one language.

    Returns
    -------
    polars.DataFrame
        Schema :data:`remanence.shared.tables.FINDINGS`.
    """
    rows = []
    for place, item in enumerate(findings, start=1):
        said = text.json(item)
        figures = said.pop("evidence") or [{}]
        dated = {"since": item.since, "since_low": item.since_low, "since_high": item.since_high}
        rows += [{**said, **dated, "score": item.score, "week": str(week), "place": place,
                  **figure} for figure in figures]
    names = [column.name for column in FINDINGS.columns]
    columns = {name: [row.get(name) for row in rows] for name in names}
    return FINDINGS.conform(pl.DataFrame(columns, schema=FINDINGS.schema, strict=False))
