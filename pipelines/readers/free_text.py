"""Free text: each line is taken apart by a regular expression with named groups.

The expression runs in an engine whose time grows with the length of the line and
no faster, whatever the expression; a hostile line cannot hold it up.
"""

from __future__ import annotations

import polars as pl

from remanence.pipelines.readers.raw import KEPT_TEXT, ChunkText, Fields, Parsed, reject_frame
from remanence.pipelines.readers.source import Chunk
from remanence.shared.log_format import LogFormat, group_names

NO_MATCH = "line does not fit the pattern of the [[log]] block"


class TextReader:
    """Reads one text file."""

    def __init__(self, log: LogFormat, name: str, fields: Fields) -> None:
        self.name = name
        self.pattern = log.pattern or ""
        self.comment = log.comment
        self.wanted = fields.wanted
        self.groups = set(group_names(self.pattern))

    def parse(self, chunk: Chunk) -> Parsed:
        """Turn whole lines into raw records."""
        lines = chunk.data.decode("utf-8", "backslashreplace").removesuffix("\n").split("\n")
        text = pl.col("text")
        passed = text.str.strip_chars() == ""
        if self.comment:
            passed = passed | text.str.starts_with(self.comment)
        first = chunk.first_line
        frame = pl.DataFrame({
            "line": pl.int_range(first, first + len(lines), dtype=pl.Int64, eager=True),
            "text": pl.Series(lines, dtype=pl.String).str.strip_chars_end("\r"),
        }).filter(~passed)
        frame = frame.with_columns(
            text.str.contains(self.pattern).alias("_fits"),
            text.str.extract_groups(self.pattern).alias("_groups"))
        good = frame.filter(pl.col("_fits"))
        records = good.select("line", *(
            pl.col("_groups").struct.field(name).replace("", None) if name in self.groups
            else pl.lit(None, pl.String).alias(name)
            for name in self.wanted
        ))
        bad = frame.filter(~pl.col("_fits"))
        rejects = reject_frame(
            (number, line[:KEPT_TEXT], NO_MATCH)
            for number, line in bad.select("line", "text").iter_rows())
        return Parsed(records, rejects, len(lines) - frame.height, ChunkText(chunk))
