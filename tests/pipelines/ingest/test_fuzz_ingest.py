"""Whatever bytes come in: a record, a reject with a reason, or a plain message; every line counted.

Two fuzzers, both in bounded runs: one makes up logs out of likely parts, the other
changes good logs at random and keeps those that reach lines of code not reached
before. REMANENCE_FUZZ_SECONDS makes the second one run longer.
"""

from __future__ import annotations

import os
import random
import sys
import time
import tomllib
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from remanence.pipelines.ingest.open_log import clock_for, pieces
from remanence.pipelines.ingest.validate import RecordValidator
from remanence.pipelines.readers import FORMATS
from remanence.pipelines.readers.layout import Layout
from remanence.pipelines.readers.source import Source
from remanence.pipelines.sniff.sniff import sniff
from remanence.shared.errors import RemanenceError
from remanence.shared.log_format import read_log_format
from remanence.shared.venue_file import parse_venue
from tests.pipelines.ingest.log_examples import ROOT, examples
from tests.pipelines.readers.test_readers import VENUE, encoded

SECONDS = float(os.environ.get("REMANENCE_FUZZ_SECONDS", "4"))


def log_of(block):
    log, problems = read_log_format(tomllib.loads(block)["log"][0], "log", lambda *_: 0,
                                    FORMATS)
    assert problems == []
    return log


VENUE_MODEL = parse_venue(VENUE)
FORMS = {title: (log_of(block), next(iter(files)), next(iter(encoded(block, files).values())))
         for title, (block, files) in examples().items()}
LONG = [title for title, (log, _, _) in FORMS.items() if log.layout == "long"]


def read_all(log, path, name):
    """What ingest does with a file, short of the store; checks that every line is counted."""
    source = Source(name, path)
    meaning = RecordValidator(VENUE_MODEL)
    layout = Layout(log, name, meaning.kinds)
    clock = clock_for(VENUE_MODEL, log, source, layout, 0)
    if clock.two_passes:
        for piece in pieces(source, log, layout, 1 << 30, lambda _: None, lambda _: None):
            clock.survey(piece.records)
    total = 0
    for piece in pieces(source, log, layout, 1 << 30, lambda _: None, lambda _: None):
        records = clock.convert(piece.records)
        signals, faults = meaning.apply(records, name)
        assert signals.height + faults.height == records.height
        assert signals["value"].is_finite().all()
        assert signals.null_count().sum_horizontal().item() == 0
        assert faults["reason"].null_count() == 0
        assert len(piece.text(faults["line"].to_list())) == faults.height
        one_each = not (log.unknown or log.ignore_where or len(log.columns_of("value")) > 1)
        if log.layout == "long" and one_each and not clock.two_passes and log.format != "parquet":
            assert records.height + piece.rejects.height + piece.passed == piece.lines
        total += piece.lines
    clock.clock_events()
    return total


def try_all(log, path, name):
    try:
        return read_all(log, path, name)
    except RemanenceError:
        return 0


CELL = st.one_of(
    st.sampled_from([
        "2026-11-02T18:03:11.482Z", "2026-11-02 18:03", "1970-01-01T00:00:00Z", "1793642591482",
        "north/q1", "rail-a", "command", "volts", "1", "0", "11.62", "nan", "-inf", "1e308",
        "1e999", "-0", "0x10", "1_000", "", " ", '"', '""', "=1+1", "<script>", "null", "true", "١",
        "\u2028", "\x00", "\ud7ff", "9" * 400, "-9223372036854775809", "{}", "[", "\\", "#", "time",
    ]),
    st.text(max_size=12),
)
LINE = st.lists(CELL, max_size=7)


@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data(), title=st.sampled_from(sorted(FORMS)))
def test_made_up_logs(tmp_path_factory, data, title):
    log, name, good = FORMS[title]
    lines = data.draw(st.lists(LINE, max_size=6))
    joint = data.draw(st.sampled_from([",", ";", "\t", " ", log.delimiter]))
    tail = "\n".join(joint.join(cells) for cells in lines).encode("utf-8", "surrogatepass")
    raw = data.draw(st.binary(max_size=20))
    path = tmp_path_factory.getbasetemp() / "made-up"
    path.write_bytes(data.draw(st.sampled_from([good, b"", good[:40]])) + tail + raw)
    try_all(log, path, name)


class Coverage:
    """Lines of our readers and clocks that were reached."""

    def __init__(self):
        self.seen = set()
        self.new = 0

    def __call__(self, frame, event, arg):
        name = frame.f_code.co_filename
        if not name.startswith(str(ROOT / "pipelines")):
            return None
        return self.line

    def line(self, frame, event, arg):
        key = (frame.f_code.co_filename, frame.f_lineno)
        if key not in self.seen:
            self.seen.add(key)
            self.new += 1
        return self.line


def changed(data, rng, corpus):
    data = bytearray(data)
    for _ in range(rng.randrange(1, 6)):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(7):
            case 0:
                data[at:at] = bytes(rng.randrange(256) for _ in range(rng.randrange(1, 5)))
            case 1:
                del data[at : at + rng.randrange(1, 20)]
            case 2 if data:
                data[at % len(data)] = rng.randrange(256)
            case 3:
                data[at:at] = rng.choice([b"\n", b",", b'"', b"\r\n", b"{", b"\x00", b"\xff", b"-",
                                          b"9" * 30, b"nan", b"1e309", b"\n\n", b"\xef\xbb\xbf"])
            case 4:
                end = at + rng.randrange(1, 60)
                data[at:at] = data[at:end] * rng.randrange(1, 4)
            case 5:
                other = rng.choice(corpus)
                start = rng.randrange(len(other) + 1)
                data[at:at] = other[start : start + rng.randrange(1, 80)]
            case _:
                data = data[: at + 1]
    return bytes(data[:5000])


def test_changed_logs_that_reach_new_code(tmp_path):
    rng = random.Random(20261102)
    path = tmp_path / "changed"
    corpus = [good for _, _, good in FORMS.values()]
    coverage = Coverage()
    until = time.monotonic() + SECONDS
    runs = grown = 0
    while time.monotonic() < until:
        log, name, good = FORMS[rng.choice(sorted(FORMS))]
        data = changed(rng.choice([good, rng.choice(corpus)]), rng, corpus)
        path.write_bytes(data)
        coverage.new = 0
        sys.settrace(coverage)
        try:
            try_all(log, path, name)
        finally:
            sys.settrace(None)
        runs += 1
        if coverage.new:
            corpus.append(data)
            grown += 1
    assert runs > 5
    assert grown > 3


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 10**9))
def test_sniff_bears_anything(tmp_path_factory, seed):
    rng = random.Random(seed)
    corpus = [good for _, _, good in FORMS.values()]
    path = tmp_path_factory.getbasetemp() / "sniffed.log"
    path.write_bytes(changed(rng.choice(corpus), rng, corpus))
    try:
        text = sniff([path])
    except RemanenceError as error:
        text = str(error)
    assert "sniffed.log" in text


@pytest.mark.parametrize("title", ["The default layout", "JSON Lines"])
def test_a_million_channels_take_no_age(tmp_path, title):
    log, name, _ = FORMS[title]
    count = 30_000
    path = Path(tmp_path / "many")
    if log.format == "csv":
        body = "".join(f"2026-11-02T18:03:11Z,x{i}/q,command,1\n" for i in range(count))
        path.write_text("time,channel,quantity,value\n" + body)
    else:
        frame = pl.DataFrame({"channel": [f"x{i}/q" for i in range(count)]}).with_columns(
            time=pl.lit("2026-11-02T18:03:11Z"), quantity=pl.lit("command"), value=1)
        frame.write_ndjson(path)
    begun = time.process_time()
    assert read_all(log, path, name) >= count
    assert time.process_time() - begun < 20
