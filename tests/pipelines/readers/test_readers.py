"""Every form of log that the documentation shows is read exactly as it says."""

from __future__ import annotations

import gzip
import io
import os
import tomllib
import zipfile
from datetime import UTC, datetime

import polars as pl
import pyarrow as pa
import pytest

from remanence.pipelines.ingest.ingest import ingest
from remanence.pipelines.ingest.progress import Silent
from remanence.pipelines.readers import FORMATS
from remanence.pipelines.readers import source as source_module
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.store import Store
from remanence.shared.errors import VenueFileError
from remanence.shared.venue_file import parse_venue
from tests.pipelines.ingest.house import BARE
from tests.pipelines.ingest.log_examples import BINARY, ROOT, bytes_of, examples


def at(second, ms):
    return datetime(2026, 11, 2, 18, 3, second, ms * 1000, UTC)


EXPECTED = [
    (at(11, 482), "north/q1", "command", 1.0), (at(11, 547), "north/i1", "contact", 0.0),
    (at(11, 550), "rail-a", "volts", 11.62), (at(11, 882), "north/q1", "command", 0.0),
    (at(12, 100), "rail-a", "volts", 12.08),
]


def take(folder, block, files):
    """Ingest some files by one block: records, rejects, summary."""
    (folder / "venue.toml").write_text(BARE + block, encoding="utf-8")
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    venue, path = load_venue(folder)
    summary = ingest(venue, path, progress=Silent())
    store = Store.open(venue, path)
    assert all(f.read == f.taken + f.repeated + f.rejected for f in summary.files)
    signals = store.scan_signals().collect()
    rows = [(t, c, q, round(v, 9)) for t, c, q, v in
            signals.select("time", "channel", "quantity", "value").iter_rows()]
    return rows, store.rejects(), summary


def encoded(block, files):
    encoding = tomllib.loads(block)["log"][0].get("encoding", "utf-8")
    return {name: bytes_of(name, text, encoding) for name, text in files.items()}


@pytest.mark.parametrize("title", examples())
def test_the_examples_of_the_page_are_read_as_it_says(tmp_path, title):
    block, files = examples()[title]
    rows, rejects, summary = take(tmp_path, block, encoded(block, files))
    assert summary.faults == []
    assert rejects.rows() == []
    assert rows == EXPECTED


def test_the_sample_files_are_those_of_the_page():
    folder = ROOT / "sample_data" / "logs_by_format"
    shown = {}
    for block, files in examples().values():
        shown |= encoded(block, files)
    assert {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*")
            if p.is_file() and p.suffix not in (".toml", ".parquet", *BINARY)} == {
        name.removeprefix("logs/"): data for name, data in shown.items()
        if not name.endswith(BINARY)}
    blocks = (folder / "venue.toml").read_text("utf-8")
    assert all(block in blocks for block, _ in examples().values())


def test_all_the_sample_files_in_one_venue_say_the_same_once(tmp_path):
    folder = ROOT / "sample_data" / "logs_by_format"
    text = (folder / "venue.toml").read_text("utf-8").replace('"logs/', f'"{folder}/')
    (tmp_path / "venue.toml").write_text(text, encoding="utf-8")
    venue, path = load_venue(tmp_path)
    summary = ingest(venue, path, progress=Silent())
    assert (summary.taken, summary.rejected) == (5, 0)
    assert summary.read == 5 * (len(examples()) + 1)


CSV = dict(examples()["The default layout"][1])["logs/default.csv"].encode()


def zst(data):
    sink = pa.BufferOutputStream()
    with pa.CompressedOutputStream(sink, "zstd") as stream:
        stream.write(data)
    return sink.getvalue().to_pybytes()


def zipped(**members):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name.replace("__", "/"), data)
    return buffer.getvalue()


HALVES = CSV.splitlines(keepends=True)


@pytest.mark.parametrize(("name", "data"), [
    ("logs/a.csv.gz", gzip.compress(CSV)),
    ("logs/a.csv.gz", gzip.compress(b"".join(HALVES[:3])) + gzip.compress(b"".join(HALVES[3:]))),
    ("logs/a.csv.zst", zst(CSV)),
    ("logs/a.zip", zipped(**{"a.csv": CSV})),
    ("logs/a.zip", zipped(**{"in__a.csv": b"".join(HALVES[:3]),
                             "in__b.csv.gz": gzip.compress(HALVES[0] + b"".join(HALVES[3:]))})),
    ("logs/a.csv", b"\xef\xbb\xbf" + CSV),
    ("logs/a.csv", b"\xff\xfe" + CSV.decode().encode("utf-16-le")),
    ("logs/a.csv", b"\xfe\xff" + CSV.decode().encode("utf-16-be")),
    ("logs/a.csv", CSV.replace(b"\n", b"\r\n")),
])
def test_packed_files_and_byte_order_marks(tmp_path, name, data):
    rows, rejects, summary = take(tmp_path, '[[log]]\nfiles = ["logs/*"]\n', {name: data})
    assert (rows, rejects.height, summary.faults) == (EXPECTED, 0, [])


def frame(time):
    return pl.DataFrame({
        "time": time, "channel": [row[1] for row in EXPECTED],
        "quantity": [row[2] for row in EXPECTED], "value": [row[3] for row in EXPECTED]})


def as_parquet(table):
    buffer = io.BytesIO()
    table.write_parquet(buffer)
    return buffer.getvalue()


TIMES = pl.Series([row[0] for row in EXPECTED]).cast(pl.Datetime("us", "UTC"))


@pytest.mark.parametrize(("time", "extra"), [
    (TIMES, ""), (TIMES.dt.convert_time_zone("Asia/Tokyo"), ""),
    (TIMES.cast(pl.Datetime("ns")), ""),
    (TIMES.dt.epoch("ms"), 'time_format = "epoch-ms"\n'),
    (TIMES.dt.epoch("us") / 1e6, 'time_format = "epoch-s"\n'),
    (TIMES.dt.strftime("%Y-%m-%d %H:%M:%S%.f"), 'time_zone = "UTC"\n'),
])
def test_parquet(tmp_path, time, extra):
    block = f'[[log]]\nfiles = ["logs/*.parquet"]\nformat = "parquet"\n{extra}'
    rows, rejects, _ = take(tmp_path, block, {"logs/a.parquet": as_parquet(frame(time))})
    assert (rows, rejects.height) == (EXPECTED, 0)


def test_rejected_rows_of_parquet_can_be_read_by_people(tmp_path):
    table = frame(TIMES).with_columns(channel=pl.col("channel").replace("rail-a", "rail-b"))
    block = '[[log]]\nfiles = ["logs/*.parquet"]\nformat = "parquet"\n'
    rows, rejects, _ = take(tmp_path, block, {"logs/a.parquet": as_parquet(table)})
    assert len(rows) == 3
    assert rejects["line"].to_list() == [3, 5]
    assert '"channel": "rail-b"' in rejects["text"][0]


@pytest.mark.parametrize(("data", "says"), [
    (b"PAR1 rubbish", "cannot be read as Parquet"), (b"", "cannot be read as Parquet"),
    (as_parquet(pl.DataFrame({"time": [1], "x": [2]})), "has no column channel and no value"),
])
def test_a_parquet_file_that_cannot_be_read_is_a_fault(tmp_path, data, says):
    block = '[[log]]\nfiles = ["logs/*.parquet"]\nformat = "parquet"\n'
    _, _, summary = take(tmp_path, block, {"logs/a.parquet": data})
    assert says in summary.faults[0]


def test_a_wide_line_with_one_bad_cell_keeps_the_others(tmp_path):
    block = ('[[log]]\nfiles = ["logs/a.csv"]\nlayout = "wide"\n[log.channels]\nQ = "north/q1"\n'
             'I = "north/i1"\nV = "rail-a"\n')
    text = b"time,Q,I,V\n2026-11-02T18:03:11.482Z,1,x,?\n2026-11-02T18:03:12Z,,,\n"
    rows, rejects, summary = take(tmp_path, block, {"logs/a.csv": text})
    assert rows == EXPECTED[:1]
    assert rejects["text"].to_list() == ["2026-11-02T18:03:11.482Z,1,x,?"] * 2
    assert sorted(r.rsplit(" (", 1)[1] for r in rejects["reason"]) == ["in I)", "in V)"]
    assert (summary.read, summary.files[0].passed) == (3, 2)


def test_lines_around_one_that_is_too_long_are_taken(tmp_path, monkeypatch):
    monkeypatch.setattr(source_module, "LONGEST_LINE", 200)
    for chunk in (64, 1 << 20):
        monkeypatch.setattr(source_module, "CHUNK_BYTES", chunk)
        folder = tmp_path / str(chunk)
        folder.mkdir()
        data = b"".join([*HALVES[:3], b"x" * 5000 + b"\n", *HALVES[3:], b"y" * 300])
        rows, rejects, summary = take(folder, '[[log]]\nfiles = ["*.csv"]\n', {"a.csv": data})
        assert rows == EXPECTED
        assert rejects["line"].to_list() == [4, 8]
        assert "too long to be a record: 5,000 bytes" in rejects["reason"][0]
        assert summary.rejected == 2


@pytest.mark.parametrize("chunk", [1, 7, 50, 1000])
def test_how_the_file_is_cut_does_not_matter(tmp_path, monkeypatch, chunk):
    monkeypatch.setattr(source_module, "CHUNK_BYTES", chunk)
    data = CSV + b"bad line\n\n" + HALVES[1] + HALVES[0]
    rows, rejects, summary = take(tmp_path, '[[log]]\nfiles = ["*.csv"]\n', {"a.csv": data})
    assert (rows, rejects["line"].to_list()) == (EXPECTED, [7])
    assert (summary.repeated, summary.files[0].passed) == (1, 3)


def test_a_compression_bomb_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(source_module, "BOMB_BYTES", 1 << 20)
    bomb = zst(b"2026-11-02T18:03:11.482Z,north/q1,command,1\n" * 400_000)
    block = ('[[log]]\nfiles = ["*.zst"]\nheader = false\n'
             'names = ["time", "channel", "quantity", "value"]\n')
    rows, _, summary = take(tmp_path, block, {"a.csv.zst": bomb})
    assert "this is no log" in summary.faults[0]
    assert len(rows) <= 1


BAD_BLOCKS = {
    'formatt = "csv"': "did you mean format?",
    'format = "xml"': 'use "csv", "json", "jsonl", "line_protocol", ',
    'format = "text"': "format text needs the form of a line",
    'format = "text"\npattern = "(?P<time"': "this is no regular expression",
    'format = "text"\npattern = "abc"': "name its groups",
    'pattern = "(?P<time>.*)"': 'it goes with format = "text"',
    'layout = "wide"': "layout wide needs the channel of each column",
    "header = false": "the columns' names, as no line names them",
    'delimiter = "::"': "use one character",
    'quote = "ab"': "use one character",
    'encoding = "klingon"': "use a name like utf-8",
    'columns = { tim = "x" }': "did you mean time?",
    'columns = { time = 3 }': "write text in quotes",
    'constants = { quantity = "ohms" }': "use command, contact, volts, amps",
    'quantities = { relay = "ohms" }': "use command, contact, volts, amps",
    'channels = { a = 3 }': 'write "CONTROLLER/NAME"',
    'channels = { a = { chanel = "b" } }': "did you mean channel?",
    'channel_pattern = "(?P<x>.*)"': "name a group channel",
    'time_format = "epoch"': "use iso, epoch-s",
    'time_format = "%H:%M %Q"': "%Q is not known",
    'time_format = "%H:%M"': "the form lacks the year (%Y)",
    'time_zone = "Mars/North"': "use an IANA name",
    'started = "noon"': "write a time like",
    'file_pattern = "(?P<start>.*)"': "the form of the time in the file's name",
    "wraps_at = 1": "write a number",
}


@pytest.mark.parametrize("words", BAD_BLOCKS)
def test_every_fault_of_a_block_is_told_with_its_line(words):
    text = BARE + '[[log]]\nfiles = ["a"]\n' + words + "\n"
    with pytest.raises(VenueFileError) as caught:
        parse_venue(text, formats=FORMATS)
    assert BAD_BLOCKS[words] in str(caught.value)
    first = text.count("\n") - words.count("\n")
    assert any(f"line {n}," in str(caught.value) for n in range(first - 2, first + 2))


def columns_taken(folder, block, text, name="a.csv"):
    rows, rejects, summary = take(folder, f'[[log]]\nfiles = ["{name}"]\n{block}',
                                  {name: text.encode()})
    assert summary.faults == []
    return [(t.isoformat(), c, v) for t, c, _, v in rows], rejects


def test_one_word_holds_several_channels_and_may_be_hexadecimal(tmp_path):
    rows, rejects = columns_taken(tmp_path, """
[log.channels]
io = [{ channel = "north/q1", bit = 0 }, { channel = "north/i1", bit = 3, invert = true }]
""", "time,channel,value\n2026-11-02T18:03:11Z,io,1\n2026-11-02T18:03:12Z,io,0x1F\n"
         "2026-11-02T18:03:13Z,io,8.0\n2026-11-02T18:03:14Z,io,word\n")
    assert [value for _, channel, value in rows if channel == "north/q1"] == [1, 1, 0]
    assert [value for _, channel, value in rows if channel == "north/i1"] == [1, 0, 0]
    assert rejects["line"].unique().to_list() == [5]


def test_several_values_of_one_record_are_records_of_their_own(tmp_path):
    rows, _ = columns_taken(tmp_path, """
columns = { channel = "lock", value = ["coil", "switch"] }
[log.channels]
"d/coil" = "north/q1"
"d/switch" = "north/i1"
""", "time,lock,coil,switch\n2026-11-02T18:03:11Z,d,1,0\n2026-11-02T18:03:12Z,d,,1\n")
    assert [row[1:] for row in rows] == [
        ("north/i1", 0), ("north/q1", 1), ("north/i1", 1)]


@pytest.mark.parametrize(("name", "written", "years"), [
    ("log-2025.txt", None, (2025, 2025)), ("log-20260105.txt", None, (2025, 2026)),
    ("log-2025-12.txt", None, (2025, 2026)), ("log.txt", datetime(2026, 1, 3, tzinfo=UTC),
                                              (2025, 2026)),
    ("log.txt", datetime(2026, 12, 31, tzinfo=UTC), (2026, 2026)),
])
def test_the_year_comes_from_the_files_name_or_date(tmp_path, name, written, years):
    text = "Dec 30 18:03:11 b: north/q1=1\nJan  2 18:03:11 b: north/q1=0\n"
    path = tmp_path / name
    path.write_text(text)
    if written:
        os.utime(path, (written.timestamp(), written.timestamp()))
    (tmp_path / "venue.toml").write_text(BARE + f"""
[[log]]
files = ["{name}"]
format = "text"
line_form = ["{{time}} {{host}}: {{channel}}={{value}}"]
time_format = "%b %d %H:%M:%S"
time_zone = "UTC"
""")
    venue, path = load_venue(tmp_path)
    ingest(venue, path, progress=Silent())
    found = Store.open(venue, path).scan_signals().collect().sort("line")["time"].to_list()
    assert [time.isoformat() for time in found] == [
        f"{years[0]}-12-30T18:03:11+00:00", f"{years[1]}-01-02T18:03:11+00:00"]


def test_a_json_array_that_is_cut_off_keeps_what_came_before_and_says_so(tmp_path):
    text = '[{"time": "2026-11-02T18:03:11Z", "channel": "north/q1", "value": 1},\n{"time": "2026'
    rows, _, summary = take(tmp_path, '[[log]]\nfiles = ["a.json"]\nformat = "json"\n',
                            {"a.json": text.encode()})
    assert len(rows) == 1
    assert "damaged or cut off after 1 objects" in " ".join(summary.faults)


def test_text_and_escapes_of_line_protocol(tmp_path):
    rows, rejects = columns_taken(tmp_path, """
format = "line_protocol"
time_format = "epoch-s"
columns = { channel = "point" }
[log.channels]
"coil 1" = "north/q1"
""", '# made by hand\nio,point=coil\\ 1 note="a, b=c \\"d\\"",value=t 1793642591\n'
     'io,point=coil\\ 1 value=f 1793642592\nno line\n', "a.lp")
    assert [row[2] for row in rows] == [1, 0]
    assert rejects["reason"].to_list() == ["not of the form measurement,tag=... field=... time"]


def test_an_offset_without_a_colon_and_after_a_z(tmp_path):
    rows, _ = columns_taken(tmp_path, "", "time,channel,value\n"
                                          "2026-11-02T18:03:11+0100,north/q1,1\n"
                                          "2026-11-02T18:03:12Z+0100,north/q1,0\n")
    assert [row[0] for row in rows] == ["2026-11-02T17:03:11+00:00", "2026-11-02T17:03:12+00:00"]


@pytest.mark.parametrize(("words", "said"), [
    ('format = "text"\nline_form = ["no name"]', "name what stands where"),
    ('format = "text"\nline_form = ["{time} {time}"]', "{time} stands there twice"),
    ('line_form = ["{time}"]', 'it goes with format = "text"'),
    ('format = "text"\npattern = "(?P<time>x)"\nline_form = ["{time}"]', "take one out"),
    ('columns = { time = ["a", "b"] }', "write text in quotes"),
    ("ignore_where = { retain = 1 }", "write text in quotes, or a list of such"),
    ('[log.channels]\na = { channel = "b", bit = 63 }', "at most 62"),
    ('[log.channels]\na = []', "write \"CONTROLLER/NAME\""),
])
def test_faults_of_the_keys_for_many_forms_are_told(words, said):
    with pytest.raises(VenueFileError) as caught:
        parse_venue(BARE + f'[[log]]\nfiles = ["a"]\n{words}\n', formats=FORMATS)
    assert said in str(caught.value)
