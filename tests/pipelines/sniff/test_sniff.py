"""Sniff proposes a block that reads the sample, and asks what it cannot know."""

from __future__ import annotations

import json
import re
import tomllib
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from remanence.pipelines.ingest.ingest import ingest
from remanence.pipelines.ingest.progress import Silent
from remanence.pipelines.readers import FORMATS
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.sniff.sniff import block_text, quoted, sniff
from remanence.pipelines.sniff.times import guess_times
from remanence.pipelines.store.store import Store
from remanence.shared.errors import RemanenceError
from remanence.shared.log_format import read_log_format
from tests.pipelines.ingest.log_examples import examples
from tests.pipelines.readers.test_readers import EXPECTED, encoded, take


def proposed(text):
    """The block in what sniff says."""
    return re.search(r"(\[\[log\]\]\n.*?)\n\n(?:First|No record|It cannot|The block)", text,
                     re.DOTALL)[1]


def write(folder, name, data):
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


@pytest.mark.parametrize("title", examples())
def test_a_block_is_proposed_for_every_form_of_the_page(tmp_path, title):
    block, files = examples()[title]
    for name, data in encoded(block, files).items():
        text = sniff([write(tmp_path, name, data)])
        read = tomllib.loads(proposed(text))["log"][0]
        log, problems = read_log_format(read, "log", lambda *_: 0, FORMATS)
        assert problems == []
        assert log.format == tomllib.loads(block)["log"][0].get("format", "csv")
        if not log.counts and "by-channel" not in name and "prefixed" not in name:
            assert "2026-11-02 18:03:11.482" in text
            assert "cannot be read" not in text


@pytest.mark.parametrize("title", ["The default layout", "JSON Lines", "No header, tabs, comments"])
def test_where_nothing_is_left_open_the_proposal_is_taken_as_it_is(tmp_path, title):
    block, files = examples()[title]
    (name, data), = encoded(block, files).items()
    text = sniff([write(tmp_path, name, data)])
    assert "does not tell" not in text
    rows, rejects, _ = take(tmp_path, proposed(text), {})
    assert (rows, rejects.height) == (EXPECTED, 0)


def test_two_orders_of_the_date_are_asked_about_and_only_then(tmp_path):
    lines = "time,channel,quantity,value\n{}/11/2026 18:03:11,north/q1,command,1\n"
    text = sniff([write(tmp_path, "a.csv", lines.format("02"))])
    assert "Which order has the date? These fit the whole sample: %d/%m/%Y %H:%M:%S, %m/%d" in text
    assert "local time" in text
    text = sniff([write(tmp_path, "a.csv", lines.format("02") + lines.format("13")[28:])])
    assert "Which order" not in text
    assert 'time_format = "%d/%m/%Y %H:%M:%S"' in text


def test_polarity_and_scale_are_asked_about(tmp_path):
    text = sniff([write(tmp_path, "a.csv",
                        "time,signal,value\n2026-11-02T18:03:11Z,door,open\n")])
    assert 'Does "open" speak of the switch or of the door?' in text
    text = sniff([write(tmp_path, "a.csv", "time,i1,ai0\n2026-11-02T18:03:11Z,1,1162\n")])
    assert "is 1 a closed contact?" in text
    assert "which scale" in text


def test_a_counter_and_its_anchor_are_asked_about(tmp_path):
    _, files = examples()["Serial text with milliseconds since the board started"]
    text = sniff([write(tmp_path, "a.txt", files["logs/serial.txt"])])
    assert "milliseconds (boot-ms), microseconds" in text
    assert "carries true time: add its form to line_form, with {wall}" in text
    assert "do not fit the form" in text


@pytest.mark.parametrize("data", [
    b"", b"\x00" * 5000, bytes(range(256)) * 50, b"x" * 200_000, b"{" * 5000 + b"\n" * 3,
    b"," * 300_000, b"a,b\n" * 1000, "ÄÖ".encode("utf-16"), b"PAR1 and no more", b'{"a": 1}\n' * 9,
    b"1,1,1\n2,2,2\n", b"time\n\n\n", "\u2028;\u2029;\n".encode() * 20, b'"\n' * 20,
])
def test_rubbish_gives_words_and_no_traceback(tmp_path, data):
    path = write(tmp_path, "a.log", data)
    try:
        text = sniff([path])
    except RemanenceError as error:
        text = str(error)
    assert "a.log" in text


def test_what_every_record_begins_with_marks_no_comment(tmp_path):
    rows = [f"'2026-11-02T18:03:{second:02d}Z,north/q1,command,{second % 2}" for second in range(9)]
    assert "comment" not in sniff([write(tmp_path, "a.csv", "\n".join(rows).encode())])
    rows.insert(0, "' made by hand")
    assert "comment" not in sniff([write(tmp_path, "a.csv", "\n".join(rows).encode())])
    rows = ["' made by hand", *(row[1:] for row in rows[1:])]
    assert 'comment = "\'"' in sniff([write(tmp_path, "a.csv", "\n".join(rows).encode())])


def test_files_that_are_not_there(tmp_path):
    with pytest.raises(RemanenceError, match=r"none\.csv: does not exist"):
        sniff([tmp_path / "none.csv"])
    with pytest.raises(RemanenceError, match="is a folder"):
        sniff([tmp_path])


@example("a'b\\c")
@example("it's")
@example("ü\u0000\U0001f511\t")
@given(st.text(st.characters(exclude_categories=["Cs"]) | st.sampled_from("\"'\\ .#=\n")))
def test_quoted_text_comes_back(text):
    assert tomllib.loads(f"a = {quoted(text)}")["a"] == text
    back = tomllib.loads(block_text({"files": [text], "channels": {text: "x/y"}}))["log"][0]
    assert back == {"files": [text], "channels": {text: "x/y"}}


@pytest.mark.parametrize(("values", "kind", "form"), [
    (["1793642591482", "1793642591500"], "both", "epoch-ms"),
    (["1793642591.5"], "both", "epoch-s"),
    (["5", "9", "1200"], "counter", "boot-ms"),
    (["2.11.2026"], "date", "%d.%m.%Y"), (["18:03:11,5"], "time", "%H:%M:%S,%f"),
    (["11/02/26 06:03:11 PM"], "both", "%d/%m/%y %I:%M:%S %p"),
])
def test_guesses_of_times(values, kind, form):
    guess = guess_times(values)
    assert (guess.kind, guess.forms[0]) == (kind, form)


@pytest.mark.parametrize("values", [["on", "off"], ["11.6", "11.7", "11.5", "11.6"], ["-5", "7"]])
def test_what_is_no_time(values):
    assert guess_times(values) is None


# Logs as they come, with a block that is pasted as it stands.

START = datetime(2026, 11, 2, 18, 3, 11, tzinfo=UTC)
NAMES = {"q1": "Tür Spule", "i1": "Tür Rückmeldung", "vin": "Netz 12V"}
HAPPENED = [(0, "q1", 1), (7, "vin", 11.62), (61, "i1", 0), (407, "q1", 0), (550, "vin", 12.08),
            (2400, "i1", 1)] * 4


def as_they_come():
    """Name, content, and the words that the questions must hold, of each kind of log."""
    moments = [(START + timedelta(seconds=9 * (i // 6), milliseconds=ms), name, value)
               for i, (ms, name, value) in enumerate(HAPPENED)]
    words = {"q1": ("AUS", "EIN"), "i1": ("auf", "zu")}

    def said(name, value, mark=","):
        return str(value).replace(".", mark) if name == "vin" else words[name][value]

    clock = "%H:%M:%S,%f"
    yield "sheet.csv", "".join(["Datum;Uhrzeit;Signal;Wert\r\n", *(
        f"{t:%d.%m.%Y};{t.strftime(clock)[:-3]};{NAMES[n]};{said(n, v)}\r\n"
        for t, n, v in moments)]).encode("latin-1"), ("encoding", '"auf"', "local time")
    yield "plc.csv", "".join(["Zeit;q1;i1;vin\n", *(
        f"{t:%d.%m.%Y} {t.strftime(clock)[:-3]};"
        + ";".join(said(n, v) if n == c else "" for c in NAMES) + "\n"
        for t, n, v in moments)]).encode(), ('"zu"', "each column")
    french = {"AUS": "ARRET", "EIN": "MARCHE", "auf": "ouvert", "zu": "fermé"}
    yield "automate.csv", "".join(["Horodatage,q1,i1,vin\n", *(
        f"{t:%Y/%m/%d %H:%M:%S}.{t.microsecond // 1000:03},"
        + ",".join(french.get(said(n, v), str(v)) if n == c else "" for c in NAMES) + "\n"
        for t, n, v in moments)]).encode("latin-1"), ("fermé", "encoding")
    yield "recorder.tsv", "".join(["Recorder v3\nSite: cellar\n\nTimestamp\tPoint\tReading\n", *(
        f"{t:%Y-%m-%d %H:%M:%S}.{t.microsecond // 1000:03}\tnorth.{n}\t{v}\n"
        for t, n, v in moments)]).encode(), ("local time", "each name")
    yield "broker.jsonl", "".join(json.dumps({
        "ts": int(t.timestamp() * 1000), "topic": f"rooms/cellar/{n}",
        "payload": {"state": v if n == "vin" else ("OFF", "ON")[v]}}) + "\n"
        for t, n, v in moments).encode(), ("Which part of the topic",)
    yield "utf16.csv", "".join(["\ufefftime,channel,value\n", *(
        f"{t.isoformat(timespec='milliseconds')},north/{n},{v}\n"
        for t, n, v in moments)]).encode("utf-16-le"), ()
    yield "serial.txt", "".join(
        f"[{int((t - START).total_seconds() * 1000) + 5000:>10}] <info> ctl: {n} -> "
        f"{v if n == 'vin' else ('LOW', 'HIGH')[v]}\n" for t, n, v in moments
    ).encode(), ("true time of the start",)
    yield "counts.csv", "".join(["stamp;pin;raw\n", *(
        f"{t.isoformat(timespec='milliseconds')};{n};{int(v * 273) if n == 'vin' else v}\n"
        for t, n, v in moments)]).encode(), ("volts?",)


@pytest.mark.parametrize(("name", "content", "asked"), [
    pytest.param(*kind, id=kind[0]) for kind in as_they_come()])
def test_the_block_is_taken_as_it_is_pasted(tmp_path, name, content, asked):
    log = tmp_path / name
    log.write_bytes(content)
    said = sniff([log])
    block = said[said.index("[[log]]"):said.index("\n\nFirst records")]
    for word in asked:
        assert word in said[said.index("What the sample does not tell"):]
    channels = {}
    for line in said.splitlines():
        for key in ("q1", "i1", "vin"):
            known = (key, f"north.{key}", f'"north.{key}"', f'"{NAMES[key]}"')
            if line.split(" = ")[0] in known:
                channels[key] = line.split(" = ")[1].strip('"')
    home = "cellar" if "topic" in block else "north"
    channels = {key: channels.get(key, f"{home}/{key}") for key in NAMES}
    if "boot-ms" in block:  # the answer to its question
        block = block.replace('time_format = "boot-ms"',
                              'time_format = "boot-ms"\nstarted = "2026-11-02T18:03:06Z"')
    (tmp_path / "venue.toml").write_text(
        f'[venue]\nid = "v"\ntime_zone = "UTC"\n\n{block}\n\n[[supply]]\nid = "rail"\n'
        f'channel = "{channels["vin"]}"\nrated_volts = 12.0\n\n[[lock]]\nid = "door"\n'
        f'guards = "container"\nmechanism = "latch"\nsupply = "rail"\n'
        f'command = "{channels["q1"]}"\ncontact = "{channels["i1"]}"\n'
        'contact_closed_when = "locked"\n', "utf-8")
    venue, path = load_venue(tmp_path)
    summary = ingest(venue, path, progress=Silent())
    assert summary.faults == []
    assert (summary.read, summary.taken) == (24, 24), summary.text()
    kept = Store.open(venue, path).scan_signals().collect()
    assert kept["time"].min() == START
    assert kept.filter(pl.col("channel") == channels["i1"])["value"].to_list() == [0, 1] * 4


def test_times_that_lie_in_the_future_are_said_to_be_impossible(tmp_path):
    rows = "".join(f"{2_291_883_421 + 60 * k},north/q1,command,{k % 2}\n" for k in range(50))
    late = sniff([write(tmp_path, "a.csv", "time,channel,quantity,value\n" + rows)])
    assert "in the future: 2042-" in late
    assert "IMPOSSIBLE as it stands" in late
    rows = "".join(f"2052-11-02T10:{k:02}:00Z,north/q1,command,{k % 2}\n" for k in range(50))
    assert "IMPOSSIBLE as it stands" in sniff(
        [write(tmp_path, "b.csv", "time,channel,quantity,value\n" + rows)])
    assert "IMPOSSIBLE" not in sniff(
        [write(tmp_path, "c.csv", "time,channel,quantity,value\n" + rows.replace("2052", "2026"))])


@pytest.mark.parametrize(("data", "said"), [
    (b"%PDF-1.7\n", "is a PDF, made for the eye; export the records"),
    (b"\x1f\x8b\x08" + bytes(range(200)), "add .gz to its name"),
    (b"<?xml version='1.0'?>\n<log/>\n", "is XML; export as CSV or JSON"),
    (b"PK\x03\x04word/document", "unpack it"),
    (bytes(range(256)) * 40, "binary form of its own"),
])
def test_what_cannot_be_read_is_named_with_what_to_export_instead(tmp_path, data, said):
    with pytest.raises(RemanenceError, match=r"a\.log") as caught:
        sniff([write(tmp_path, "a.log", data)])
    assert said in str(caught.value)


KEYS = {  # of the proposal for each form; what the page's block has beside is the venue's business
    "Broker capture lines: a time, a topic and a payload": {
        "line_form": ["{time} {channel} {value}"], "on": ["ON"], "off": ["OFF"]},
    "Broker capture with flags: retained and repeated messages": {
        "columns": {"time": "tst", "channel": "topic", "value": "payload"},
        "ignore_where": {"retain": ["1", "true"], "dup": ["1", "true"]}},
    "Serial text with a prefix": {"line_form": ["{time} -> {channel}={value}"]},
    "Home-automation history: entity, state, last changed": {
        "columns": {"time": "last_changed", "channel": "entity_id", "value": "state"},
        "unknown": ["unavailable"]},
    "Syslog without a year (RFC 3164)": {
        "line_form": ["<{}>{time} {...} {channel}={value}"], "time_format": "%b %d %H:%M:%S.%f"},
    "Syslog with key=value pairs (RFC 5424), and any text with such pairs": {
        "line_form": ["<{}>{} {time} {pairs}"], "columns": {"channel": "point"}},
    "Time-series line protocol; a channel made of several columns": {
        "format": "line_protocol", "time_format": "epoch-ns"},
    "A JSON array": {"format": "json", "columns": {"channel": "signal", "value": "reading"}},
    "A title row above the header": {
        "skip_lines": 2, "columns": {"time": "Stamp", "channel": "Point", "value": "Reading"}},
    "One name for command and feedback switch, told apart by another column": {
        "columns": {"channel": ["point", "kind"]}},
    "A word of bits": {"columns": {"channel": "register", "value": "word"}},
    "Several values in one record": {
        "columns": {"channel": "lock", "value": ["coil", "switch", "supply"]}},
    "A workbook": {"format": "spreadsheet", "skip_lines": 1},
    "A table of an SQLite database": {"format": "sqlite", "table": "events"},
}


@pytest.mark.parametrize("title", KEYS)
def test_the_form_is_proposed_right_the_first_time_and_takes_every_line(tmp_path, title):
    block, files = examples()[title]
    (name, data), = encoded(block, files).items()
    text = sniff([write(tmp_path, name, data)])
    read = tomllib.loads(proposed(text))["log"][0]
    assert {key: read[key] for key in KEYS[title]} == KEYS[title]
    _, rejects, summary = take(tmp_path, proposed(text), {})
    assert summary.read >= 5
    # Only the channels are not the venue's yet; each record was found, with time and value.
    assert all(reason.startswith("channel") for reason in rejects["reason"]), rejects["reason"]


def test_two_boards_with_the_same_pins_are_told_apart_by_both_columns(tmp_path):
    rows = [f'2026-11-02T18:03:{n:02d}Z,{"ab"[n % 2]},{"xyz"[n // 2 % 3]},{n // 6 % 2}'
            for n in range(24)]
    text = sniff([write(tmp_path, "a.csv", "time,board,port,value\n" + "\n".join(rows) + "\n")])
    assert 'columns = { channel = ["board", "port"] }' in text
