"""``remanence export``: a kept table as Parquet, CSV or a spreadsheet."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import polars as pl
from xlsxwriter import Workbook

from remanence.pipelines.derive.store import TIME_OF as DERIVED
from remanence.pipelines.sheets.load import load_table
from remanence.pipelines.sheets.refresh import load_venue, prepare
from remanence.pipelines.sheets.write_files import whole_file
from remanence.pipelines.store.store import Store
from remanence.shared.cells import TEXT_STAYS_TEXT, as_text
from remanence.shared.errors import RemanenceError
from remanence.shared.keys import nearest
from remanence.shared.tables import TABLES

ROW_GROUP = 131_072
"""Rows of a row group: stated, so that the same rows are the same bytes however they are kept."""

SPREADSHEET_ROWS = 1_048_575
"""Rows a sheet of the Office Open XML spreadsheet format holds below its header
(ECMA-376, 18.3.1.73: 1 048 576 rows)."""


def export(given: str | Path, table: str, target: Path) -> tuple[str, tuple[str, ...]]:
    """Write one table of the store to a file.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    table : str
        A name of :data:`remanence.shared.tables.TABLES`.
    target : Path
        Ends in ``.parquet``, ``.csv`` or ``.xlsx``. Times are UTC.

    Returns
    -------
    text : str
        What to print.
    faults : tuple of str
        What could not be worked out anew, a sentence each: the file holds what was before.

    Raises
    ------
    RemanenceError
        The table or the ending is unknown, the table is too long for a sheet, or the file cannot
        be written.
    """
    if table not in TABLES:
        advice = nearest(table, list(TABLES)).replace("known keys", "known tables")
        raise RemanenceError(f"table: found {table!r}; {advice}")
    ending = target.suffix.lower()
    if ending not in (".parquet", ".csv", ".xlsx"):
        raise RemanenceError(
            f"{target}: found the ending {ending or 'none'!r}; use .parquet, .csv or .xlsx"
        )
    if not target.parent.is_dir():
        raise RemanenceError(f"{target.parent} does not exist; make the folder first")
    faults = prepare(given).faults if table in DERIVED else ()
    rows = _write(_scan(given, table), ending, target)
    return f"{target}: {rows:,} row{'s' if rows != 1 else ''} of {table}", faults


def _scan(given: str | Path, table: str) -> pl.LazyFrame:
    venue, path = load_venue(given)
    if table == "signals":
        store = Store.open(venue, path)
        return store.scan_signals(sorted(store.days()))
    return TABLES[table].conform(load_table(venue, path, table)).lazy()


def _write(frame: pl.LazyFrame, ending: str, target: Path) -> int:
    rows = int(frame.select(pl.len()).collect().item())
    if ending == ".xlsx" and rows > SPREADSHEET_ROWS:
        raise RemanenceError(
            f"{target}: found {rows:,} rows, a sheet holds {SPREADSHEET_ROWS:,}; "
            "export to .parquet or .csv"
        )

    def write(draft: Path) -> None:
        try:
            _WRITE[ending](frame, draft)
        except pl.exceptions.PolarsError as error:
            raise OSError(*error.args) from None

    whole_file(target, write)
    return rows


def _csv(frame: pl.LazyFrame, draft: Path) -> None:
    texts = [name for name, kind in frame.collect_schema().items() if kind == pl.String]
    frame.with_columns(as_text(pl.col(name)) for name in texts).sink_csv(
        draft, datetime_format="%Y-%m-%dT%H:%M:%S%.6fZ")


def _xlsx(frame: pl.LazyFrame, draft: Path) -> None:
    # Spreadsheets know no time zones; the column says that its times are UTC.
    table = frame.collect()
    times = [name for name, kind in table.schema.items() if isinstance(kind, pl.Datetime)]
    table = table.with_columns(pl.col(times).dt.replace_time_zone(None)).rename(
        {name: f"{name} (UTC)" for name in times})
    data = io.BytesIO()
    with Workbook(data, {"in_memory": True, **TEXT_STAYS_TEXT}) as book:
        table.write_excel(book, autofit=True, freeze_panes=(1, 0))
    draft.write_bytes(data.getbuffer())


_WRITE: dict[str, Callable[[pl.LazyFrame, Path], None]] = {
    ".parquet": lambda frame, draft: frame.sink_parquet(draft, row_group_size=ROW_GROUP),
    ".csv": _csv, ".xlsx": _xlsx}
