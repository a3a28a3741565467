"""What is told of many lines at once is what the lines tell one by one."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from remanence.pipelines.readers.csv_reader import DelimitedReader
from remanence.pipelines.readers.layout import Layout
from remanence.pipelines.readers.raw import Fields
from remanence.pipelines.readers.source import Chunk
from remanence.shared.log_format import LogChannel, LogFormat

FIELDS = Fields(("time", "channel", "quantity", "value"), ("time",))
WIDE = {name: LogChannel(quantity="volts") for name in ("a", "b", "c")}

field = st.one_of(
    st.sampled_from(["", "1", "12.5", "north/q1", '"1"', '""', '"a""b"', '"a,b"', '"a', 'a"b', " ",
                     '" 1"', '"1" ', "ü", '"ü"', "\t", ";"]),
    st.text("1\"',; \tü\r", max_size=4))
rows = st.lists(st.one_of(
    st.lists(field, min_size=4, max_size=4), st.lists(field, max_size=6),
    st.just(["time", "channel", "quantity", "value"])), min_size=1, max_size=6)
ends = st.sampled_from(["\n", "\r\n"])


def reader(log, fields):
    first = DelimitedReader(log, "a.csv", fields)
    names = ("time", "a", "b", "c") if log.layout == "wide" else FIELDS.wanted
    first.parse(Chunk((log.delimiter.join(names) + "\n").encode(), 1, 1))
    return first


def whole(rows, delimiter, end):
    text = "".join(delimiter.join(row) + end for row in rows)
    return Chunk(text.encode(), 2, text.count("\n"))


def quick(log, fields, chunk):
    """What is made of a chunk without a look at single lines; None where they need one."""
    quick = reader(log, fields)
    plain = quick._plain_lines(chunk)
    if plain is None:
        return None
    if fields.cells:
        return quick._filled(plain, chunk, None, 0)
    return quick._fast(plain, chunk)


@settings(deadline=None)
@given(rows, st.sampled_from([",", ";", "\t"]), ends)
@example([["1", '"2"', "", '"3"']], ",", "\r\n")
@example([["", "", "", ""]], "\t", "\n")
@example([["", "", '"1"', "\r1"]], ",", "\n")
@example([["", "", "", "ü\r"]], ",", "\r\n")
@example([['"a,b"', "c", "d"]], ",", "\n")
def test_fields_are_the_same_at_once_and_line_by_line(rows, delimiter, end):
    log, chunk = LogFormat(files=("*",), delimiter=delimiter), whole(rows, delimiter, end)
    found = quick(log, FIELDS, chunk)
    if found is None:
        return
    records, rejects, passed = reader(log, FIELDS)._careful(chunk)
    assert (rejects.height, passed) == (0, 0)
    assert found.rows() == records.rows()


@settings(deadline=None)
@given(rows, st.sampled_from([",", ";", "\t"]), ends)
@example([["1", "", "2", '"3"'], ["2", "", "", ""], ["", "", "4", " "]], ",", "\r\n")
def test_filled_cells_are_those_of_the_whole_table(rows, delimiter, end):
    log = LogFormat(files=("*",), delimiter=delimiter, layout="wide", channels=WIDE)
    layout = Layout(log, "a.csv")
    chunk = whole([row for row in rows if row[:1] != ["time"]] or [["1"]], delimiter, end)
    found = quick(log, layout.fields, chunk)
    if found is None:
        return
    at_once = layout.apply(found.records, found.cells)
    records, rejects, passed = reader(log, layout.fields)._careful(chunk)
    assert rejects.height == 0
    slow = layout.apply(records)
    assert at_once.passed == slow.passed + passed
    wanted = ["line", "time", "label", "quantity", "value"]
    assert at_once.records.sort("line", "label").select(wanted).rows() == slow.records.sort(
        "line", "label").select(wanted).rows()


@pytest.mark.parametrize("line", [
    '"2026-11-02T18:03:11Z","north/q1","command","1"\n',
    '"2026-11-02T18:03:11Z",rail-a,volts,12\r\n',
    "2026-11-02T18:03:11Z,north/q1,,1\n", "2026-11-02T18:03:11Z,north/q1,command,\n",
])
def test_a_common_way_of_writing_needs_no_look_at_single_lines(line):
    log = LogFormat(files=("*",))
    found = quick(log, FIELDS, Chunk(line.encode() * 3, 2, 3))
    assert isinstance(found, pl.DataFrame)
    assert found.height == 3
    wide = LogFormat(files=("*",), layout="wide", channels=WIDE)
    fields = Layout(wide, "a.csv").fields
    assert quick(wide, fields, Chunk(b"2026-11-02T18:03:11Z,,1,\r\n" * 3, 2, 3)) is not None
