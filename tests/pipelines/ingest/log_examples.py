"""The examples of docs/log-formats.md, taken out of the page."""

from __future__ import annotations

import csv
import io
import re
import sqlite3
from pathlib import Path

import xlsxwriter

ROOT = Path(__file__).parents[3]
PAGE = ROOT / "docs" / "log-formats.md"


def examples():
    """From each heading to its [[log]] block and its files (name to text)."""
    found = {}
    for section in re.split(r"^## ", PAGE.read_text("utf-8"), flags=re.MULTILINE)[1:]:
        title = section.split("\n", 1)[0]
        block = "".join(re.findall(r"^```toml\n(.*?)^```$", section, re.DOTALL | re.MULTILINE))
        files = dict(re.findall(r"^```\w+ (\S+)\n(.*?)^```$", section, re.DOTALL | re.MULTILINE))
        if block:
            found[title] = (block, files)
    return found


BINARY = (".xlsx", ".sqlite")
"""Endings of logs that the page shows as a table."""


def bytes_of(name, text, encoding="utf-8"):
    """A log of the page as it lies on the disk."""
    if not name.endswith(BINARY):
        return text.encode(encoding)
    rows = [[_cell(cell) for cell in row] for row in csv.reader(io.StringIO(text))]
    return (_workbook if name.endswith(".xlsx") else _database)(rows)


def _cell(text):
    return float(text) if re.fullmatch(r"\d+(\.\d+)?", text) else text or None


def _workbook(rows):
    file = io.BytesIO()
    with xlsxwriter.Workbook(file) as book:
        sheet = book.add_worksheet("Log")
        for at, row in enumerate(rows):
            sheet.write_row(at, 0, row)
    return file.getvalue()


def _database(rows):
    base = sqlite3.connect(":memory:")
    base.execute("CREATE TABLE notes (text)")
    base.execute(f"CREATE TABLE events ({', '.join(rows[0])})")
    base.executemany(f"INSERT INTO events VALUES ({', '.join('?' * len(rows[0]))})", rows[1:])
    base.commit()
    return base.serialize()
