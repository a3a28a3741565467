"""Ingest takes every record once and accounts for every line."""

from __future__ import annotations

import gzip
import json
import os
import random
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from remanence.pipelines.ingest import ingest as ingest_module
from remanence.pipelines.ingest import touched
from remanence.pipelines.ingest.validate import RecordValidator
from remanence.pipelines.readers import source
from tests.pipelines.ingest.house import GOOD, HEADER, VENUE, House, lines


def test_the_default_layout_is_taken_as_it_stands(house):
    house.write("a.csv", lines(GOOD))
    summary = house.ingest()
    assert (summary.read, summary.taken, summary.rejected) == (3, 3, 0)
    assert summary.days == {date(2026, 11, 2)}
    assert house.signals().rows() == [
        (datetime(2026, 11, 2, 18, 3, 11, 482000, UTC), "north/q1", "command", 1.0, 0,
         "logs/a.csv", 2, 0, 0),
        (datetime(2026, 11, 2, 18, 3, 11, 547000, UTC), "north/i1", "contact", 0.0, 0,
         "logs/a.csv", 3, 0, 0),
        (datetime(2026, 11, 2, 18, 3, 11, 550000, UTC), "rail-a", "volts", 11.62, 0,
         "logs/a.csv", 4, 0, 0),
    ]


def as_json(row):
    time, channel, quantity, value = row.split(",")
    return json.dumps({"time": time, "channel": channel, "quantity": quantity,
                       "value": float(value)})


@pytest.mark.parametrize(("name", "text"), [
    ("a.csv.gz", lines(GOOD)),
    ("a.jsonl", lines(map(as_json, GOOD), "")),
    ("a.csv", lines(GOOD).replace("\n", "\r\n")),
    ("a.csv", "\ufeff" + lines(GOOD)),
    ("a.csv", lines(GOOD).replace("\n", "\n\n")),
    ("a.csv", lines([f'"{row.replace(",", chr(34) + "," + chr(34))}"' for row in GOOD])),
    ("a.csv", lines([row.replace(",", ", ").replace("volts", "Volts") for row in GOOD],
                    "time, channel, quantity, value\n")),
    ("a.csv", lines([",".join(reversed(row.split(","))) + ",x" for row in GOOD],
                    "value,Quantity,channel,TIME,note\n")),
    ("a.csv", lines([row.replace(",command,", ",").replace(",contact,", ",")
                     .replace(",volts,", ",") for row in GOOD], "time,channel,value\n")),
])
def test_the_same_records_in_other_dress(house, name, text):
    house.write(name, text)
    assert house.ingest().taken == 3
    assert house.signals()["value"].to_list() == [1.0, 0.0, 11.62]
    assert house.signals()["time"].dt.millisecond().to_list() == [482, 547, 550]


def test_a_second_time_adds_nothing(house):
    house.write("a.csv", lines(GOOD))
    house.ingest()
    before = house.store.days()
    again = house.ingest()
    assert (again.taken, again.repeated, again.files[0].unchanged) == (0, 3, True)
    house.write("copy.csv", lines(GOOD))
    again = house.ingest()
    assert (again.taken, again.repeated) == (0, 6)
    assert house.signals().height == 3
    assert house.store.days() == before


@pytest.mark.parametrize("name", ["a.csv", "a.csv.gz"])
def test_a_file_that_was_only_touched_is_told_by_its_text(house, monkeypatch, name):
    path = house.write(name, lines(GOOD))
    house.ingest()
    read, real = [], ingest_module.pieces

    def watched(*args, **kwargs):
        read.append(args[0].name)
        return real(*args, **kwargs)
    monkeypatch.setattr(ingest_module, "pieces", watched)
    os.utime(path, (0, 0))
    again = house.ingest()
    assert (again.taken, again.repeated, again.files[0].unchanged, read) == (0, 3, True, [])
    # Nor are its bytes looked at once more; without the note they are.
    monkeypatch.setattr(touched, "Recoded", None)
    assert house.ingest().files[0].unchanged
    (house.store.folder / touched.TOUCHED).unlink()
    with pytest.raises(TypeError):
        house.ingest()


def test_a_file_of_the_same_size_with_another_text_is_read(house):
    path = house.write("a.csv", lines(GOOD))
    house.ingest()
    os.utime(path, (0, 0))
    house.ingest()
    path = house.write("a.csv", lines([*GOOD[:2], GOOD[2].replace("11.62", "11.63")]))
    os.utime(path, (1, 1))
    assert (house.ingest().taken, house.signals().height) == (1, 4)


def test_a_file_that_has_grown_gives_only_what_is_new(house):
    house.write("a.csv", lines(GOOD[:2]))
    house.ingest()
    house.write("a.csv", lines(GOOD))
    summary = house.ingest()
    assert (summary.taken, summary.repeated) == (1, 2)
    assert house.signals().height == 3


def test_a_grown_file_is_gone_on_with_and_counts_as_if_read_from_its_start(house, monkeypatch):
    rows = [f"2026-11-02T18:{i // 60:02}:{i % 60:02}.5Z,rail-a,volts,12.{i:03}" for i in range(300)]
    rows[40] = rows[150] = "rubbish"
    text = lines(rows)
    reading = []
    real = ingest_module.pieces

    def watched(*args, **kwargs):
        reading.append(args[6])
        return real(*args, **kwargs)
    monkeypatch.setattr(ingest_module, "pieces", watched)
    for end in (len(text) // 3, len(text) // 2, len(text) // 2 + 40, len(text)):
        house.write("a.csv", text[:end])
        summary = house.ingest()
        whole = text[:end].count("\n") - 1
        assert summary.read - whole in (0, 1)
    assert [r is not None for r in reading] == [False, True, True, True]
    assert (summary.read, summary.rejected) == (300, 2)
    assert house.store.rejects()["line"].to_list() == [42, 152]
    assert house.signals()["line"].to_list() == [n + 2 for n in range(300) if n not in (40, 150)]
    row = house.store.files().row(0, named=True)
    assert (row["lines"], row["records"], row["rejected"]) == (300, 298, 2)
    # A beginning that has changed is read from the start.
    house.write("a.csv", text.replace("18:00:00.5Z", "17:00:00.5Z") + rows[0] + "\n")
    summary = house.ingest()
    assert reading[-1] is None
    assert (summary.taken, summary.repeated) == (1, 298)


BAD = {
    "2026-11-02T18:03:12Z,north/q1,command": "3 fields where the header names 4",
    "2026-11-02T18:03:12Z,north/q1,command,1,1": "5 fields where the header names 4",
    "hello": "1 field where the header names 4",
    "2026-11-02 25:03:12Z,north/q1,command,1": "time cannot be read",
    "2026-02-30T18:03:12Z,north/q1,command,1": "time cannot be read",
    ",north/q1,command,1": "time is missing",
    "1970-01-01T00:00:07Z,north/q1,command,1":
        "time is not between 2000 and 2100: the controller's clock was not set",
    "2200-01-01T00:00:07Z,north/q1,command,1":
        "time is not between 2000 and 2100: the controller's clock was not set",
    "2026-11-02T18:03:12Z,north/q2,command,1":
        "channel is not in the venue file; nearest is north/q1",
    "2026-11-02T18:03:12Z,,command,1": "channel is missing",
    "2026-11-02T18:03:12Z,north/q1,comand,1":
        'quantity "comand" is not known; nearest is command',
    "2026-11-02T18:03:12Z,north/q1,volts,1":
        "quantity volts on a channel that the venue file has for amps and command",
    "2026-11-02T18:03:12Z,north/q1,command,2": "value of a command or contact is not 0 or 1",
    "2026-11-02T18:03:12Z,north/q1,command,on":
        "value is not 0 or 1; name the log's words with on and off in the [[log]] block",
    "2026-11-02T18:03:12Z,rail-a,volts,": "value is missing",
    "2026-11-02T18:03:12Z,rail-a,volts,nan": "value is not a finite number",
    "2026-11-02T18:03:12Z,rail-a,volts,inf": "value is not a finite number",
    "2026-11-02T18:03:12Z,rail-a,volts,1e308":
        "value is beyond any supply: more than a million volts or amps",
    '2026-11-02T18:03:12Z,"rail-a,volts,12': "a quote is opened and not closed",
    "=cmd|' /C calc'!A0,<b>x</b>,volts,12": "time cannot be read",
}


def test_every_bad_line_is_kept_verbatim_with_its_reason(house):
    house.write("a.csv", lines([*BAD, *GOOD]))
    summary = house.ingest()
    assert (summary.read, summary.taken, summary.rejected) == (len(BAD) + 3, 3, len(BAD))
    rejects = house.store.rejects()
    assert rejects["text"].to_list() == list(BAD)
    assert dict(zip(rejects["text"], rejects["reason"], strict=True)) == BAD
    assert rejects["line"].to_list() == list(range(2, len(BAD) + 2))
    assert rejects["file"].unique().to_list() == ["logs/a.csv"]
    text = summary.text()
    assert "3 taken" in text
    assert "nearest is north/q1  (logs/a.csv, line 10)" in text


def test_bad_json_is_kept_verbatim_with_its_reason(house):
    bad = {
        '{"time": "2026-11-02T18:03:12Z"': "not JSON (Expecting ',' delimiter)",
        "[1, 2]": 'not a JSON object, like {"time": ..., "channel": ...}',
        "[" * 100_000: "not JSON that can be read: nested too deeply",
        '{"time": "2026-11-02T18:03:12Z", "channel": "rail-a", "quantity": "volts", "value": NaN}':
            "value is not a finite number",
        '{"time": null, "channel": "rail-a", "quantity": "volts", "value": 12}': "time is missing",
        '{"time": "2026-11-02T18:03:12Z", "channel": "rail-a", "value": [1]}':
            "value cannot be read as a number",
        '{"time": "2026-11-02T18:03:12Z", "channel": "rail-a", "value": ' + "9" * 5000 + "}":
            "not JSON (a number is too long)",
    }
    house.write("a.jsonl", lines([*bad, *map(as_json, GOOD)], ""))
    summary = house.ingest()
    assert (summary.taken, summary.rejected) == (3, len(bad))
    assert house.reasons() == dict(enumerate(bad.values(), start=1))


def test_bytes_that_are_no_text_are_rejected_and_the_rest_taken(house):
    data = lines(GOOD[:1]).encode() + b"\xff\xfe\x00,\x80,,\n" + lines(GOOD[1:], "").encode()
    house.write("a.csv", data)
    summary = house.ingest()
    assert (summary.taken, summary.rejected) == (3, 1)
    assert house.store.rejects()["text"].to_list() == ["\\xff\\xfe\x00,\\x80,,"]


def test_a_line_that_may_be_half_written_waits(house):
    whole = lines(GOOD)
    house.write("a.csv", whole.removesuffix("2\n"))
    summary = house.ingest()
    assert (summary.taken, summary.rejected) == (2, 1)
    assert "may be half written" in house.reasons()[4]
    house.write("a.csv", whole)
    summary = house.ingest()
    assert (summary.taken, summary.repeated, summary.rejected) == (1, 2, 0)
    assert house.signals()["value"].to_list() == [1.0, 0.0, 11.62]
    assert house.reasons() == {}


def test_a_last_line_without_line_end_is_taken_once_it_stays(house):
    house.write("a.csv", lines(GOOD).removesuffix("\n"))
    assert house.ingest().taken == 2
    assert house.ingest().taken == 1
    assert house.signals()["value"].to_list() == [1.0, 0.0, 11.62]
    assert house.reasons() == {}


@pytest.mark.parametrize("name", ["a.csv", "a.csv.gz", "a.jsonl"])
def test_a_last_line_that_shows_where_it_ends_is_taken_at_once(house, name):
    text = lines(map(as_json, GOOD), "") if "json" in name else lines([*GOOD[1:], GOOD[0]])
    house.write(name, text.removesuffix("\n"))
    assert house.ingest().taken == 3


def test_rejects_are_taken_in_once_the_venue_file_is_mended(house):
    house.write("a.csv", lines([*GOOD, "2026-11-02T18:03:12Z,north/q9,command,1"]))
    assert house.ingest().rejected == 1
    assert "--retry-rejects" not in house.ingest().text()
    text = VENUE.replace("north/q1", "north/q9")
    (house.folder / "venue.toml").write_text(text)
    assert "--retry-rejects" in house.ingest().text()
    summary = house.ingest(retry_rejects=True)
    assert (summary.taken, summary.repeated, summary.rejected) == (1, 2, 1)
    assert house.reasons() == {2: "channel is not in the venue file; nearest is north/q9"}


def test_rejects_of_a_file_that_is_gone_are_read_from_what_was_kept(house):
    path = house.write("a.csv", lines(
        ["x", *GOOD, "2026-11-02T18:03:12Z,north/q9,command,1",
         "2026-11-02T18:03:13Z,rail-a,volts,12.1,,"]))
    assert house.ingest().rejected == 3
    path.unlink()
    (house.folder / "venue.toml").write_text(VENUE.replace("north/q1", "north/q9"))
    summary = house.ingest(retry_rejects=True)
    assert (summary.taken, summary.repeated, summary.rejected) == (1, 0, 2)
    assert house.signals().filter(channel="north/q9").select("file", "line").rows() == [
        ("logs/a.csv", 6)]
    assert house.store.rejects()["line"].to_list() == [2, 7]
    assert house.ingest(retry_rejects=True).taken == 0
    assert house.store.rejects()["line"].to_list() == [2, 7]


def test_times_without_an_offset_are_local_and_it_is_said(house):
    house.write("a.csv", lines(["2026-07-02 18:03:11.5,north/q1,command,1"]))
    summary = house.ingest()
    assert house.signals()["time"].to_list() == [datetime(2026, 7, 2, 17, 3, 11, 500000, UTC)]
    assert "local time of Europe/Lisbon" in summary.text()


def test_the_doubled_hour_is_told_apart_by_order_and_the_missing_one_set_aside(house):
    # Lisbon 2026: clocks go forward on 29 March at 01:00, back on 25 October at 02:00.
    house.write("a.csv", lines([
        "2026-03-29 00:59:59,north/q1,command,1", "2026-03-29 01:30:00,north/q1,command,0",
        "2026-03-29 02:00:00,north/q1,command,0",
        "2026-10-25 00:30:00,north/q1,command,1", "2026-10-25 01:30:00,north/q1,command,0",
        "2026-10-25 01:29:59,north/q1,command,0",  # out of order by a second: not the second pass
        "2026-10-25 01:10:00,north/q1,command,1", "2026-10-25 01:50:00,north/q1,command,0",
        "2026-10-25 02:00:00,north/q1,command,1",
    ]))
    house.ingest()
    hours = house.signals()["time"].dt.strftime("%d %H:%M:%S").to_list()
    assert hours == ["29 00:59:59", "29 01:00:00", "24 23:30:00", "25 00:29:59", "25 00:30:00",
                     "25 01:10:00", "25 01:50:00", "25 02:00:00"]
    assert "does not exist" in house.reasons()[3]


def test_files_given_by_name_and_files_that_cannot_be_read(house, tmp_path):
    other = tmp_path / "other.csv"
    other.write_text(lines(GOOD))
    summary = house.ingest([other, tmp_path / "none.csv", tmp_path])
    assert summary.taken == 3
    assert "other.csv matches no [[log]] block" in summary.text()
    assert [fault.split(": ", 1)[1] for fault in summary.faults] == [
        "is a folder; give the log files in it", "No such file or directory"]


def test_what_is_no_file_is_told_and_the_store_is_never_read_as_a_log(house):
    text = VENUE.replace('"logs/*.csv"', '"**/*.csv", "store/**/*.parquet"')
    (house.folder / "venue.toml").write_text(text)
    house.write("a.csv", lines(GOOD))
    os.mkfifo(house.folder / "logs" / "pipe.csv")
    house.ingest()
    summary = house.ingest()
    assert [count.file for count in summary.files] == ["logs/a.csv"]
    assert summary.faults == ["logs/pipe.csv: is no file with a beginning and an end"]


def test_a_header_that_lacks_columns_is_a_fault_of_the_file(house):
    house.write("a.csv", "when,what,value\n1,2,3\n")
    house.write("b.csv", lines(GOOD))
    summary = house.ingest()
    assert summary.taken == 3
    assert ('logs/a.csv, line 1: the header "when,what,value" has no column time and no channel'
            in summary.faults[0])


@pytest.mark.parametrize("data", [
    b"\xff\x00\r\x80,\n1,2\n", b"\x00" * 99, b"\n\n\n", b"time\r", b'"'])
def test_a_file_that_is_no_log_is_told_in_words(house, data):
    house.write("a.csv", data)
    summary = house.ingest()
    assert summary.taken == 0
    assert summary.text()


def test_a_damaged_archive_keeps_what_could_be_read_and_is_tried_again(house):
    many = lines(f"2026-11-02T18:03:{i % 60:02}.{i:06}Z,rail-a,volts,12.{i % 100:02}"
                 for i in range(50_000)).encode()
    packed = gzip.compress(many)
    (house.folder / "logs" / "a.csv.gz").write_bytes(packed[: len(packed) // 2])
    summary = house.ingest()
    assert "damaged or still being written" in summary.faults[0]
    (house.folder / "logs" / "a.csv.gz").write_bytes(packed)
    assert house.ingest().files[0].repeated == summary.taken
    assert house.signals().height == 50_000


def test_signals_equal_the_file_for_a_larger_log(house):
    count = 30_000
    frame = pl.DataFrame({
        "time": [f"2026-11-{1 + i // 3000:02}T10:{i // 60 % 60:02}:{i % 60:02}.{i % 1000:03}Z"
                 for i in range(count)],
        "channel": ["rail-a"] * count, "quantity": ["volts"] * count,
        "value": [12 + (i % 77) / 100 for i in range(count)],
    })
    house.write("a.csv", frame.write_csv())
    house.ingest()
    signals = house.signals()
    assert signals["line"].sort().to_list() == list(range(2, count + 2))
    by_line = signals.sort("line")
    assert by_line["value"].to_list() == frame["value"].to_list()
    expected = frame["time"].str.to_datetime("%Y-%m-%dT%H:%M:%S%.fZ", time_unit="us")
    assert by_line["time"].dt.replace_time_zone(None).to_list() == expected.to_list()


def stepping_log(count):
    """Volts once a second in local time, whose clock is an hour slow for ten minutes."""
    lines = []
    for i in range(count):
        at = datetime(2026, 11, 2, 18, tzinfo=UTC) + timedelta(
            seconds=i, hours=-1 if 1000 <= i < 1600 else 0)
        lines.append(f"{at:%Y-%m-%dT%H:%M:%S},rail-a,volts,{12 + (i % 7) / 100:.2f}\n")
    return HEADER + "".join(lines)


def test_a_step_that_was_taken_back_is_mended_and_told(tmp_path):
    house = House(tmp_path)
    (tmp_path / "logs" / "a.csv").write_text(stepping_log(3000))
    text = house.ingest().text()
    assert ("logs/a.csv, line 1,002: the clock of rail-a jumped by -3,600.000 s (lines 1,002 to "
            "1,601 shifted by +3,600.000 s") in text
    kept = house.store.scan_signals().collect()
    ticks = kept["time"].to_physical().diff().drop_nulls()
    assert ticks.min() == ticks.max() == 1_000_000
    event = house.store.clock_events().row(0, named=True)
    # What was stamped can be had back: the lines, and by how much they were shifted.
    assert (event["seconds"], event["mended"], event["line"]) == (-3600.0, True, 1002)


@pytest.mark.parametrize("cuts", [(900, 1300, 3000), (1010, 1599, 1605, 3000), (2000, 2500)])
def test_a_log_with_steps_that_grows_has_every_record_once(tmp_path, cuts):
    house = House(tmp_path)
    for count in cuts:
        (tmp_path / "logs" / "a.csv").write_text(stepping_log(count))
        summary = house.ingest()
        assert summary.read == count
        kept = house.store.scan_signals().collect()
        assert kept.height == kept["line"].n_unique() == count
    assert house.ingest(retry_rejects=True).taken == 0


ODD = ["1", " 1", "1 ", "+1", "-0", ".5", "1e5", "inf", "nan", "1,5", "true", "", "0x1", "1_0", "x",
       "1e400", "12.34", "0", "2"]


@pytest.mark.parametrize("seed", range(12))
def test_columns_read_in_their_types_give_what_text_gives(tmp_path, monkeypatch, seed):
    """The quick way of well-formed stretches and the careful one come out the same."""
    rng = random.Random(seed)
    lines = []
    for i in range(300):
        fields = rng.choice([line.split(",") for line in GOOD])
        fields[0] = fields[0].replace(":11.", f":{i % 60:02}.")
        if rng.random() < (0.02 if seed % 2 else 0.0):
            at = rng.randrange(4)
            fields[at] = rng.choice([[*ODD, "2026-11-02"], ["north/q9", " north/q1", ""],
                                     ["Command", "speed", ""], ODD][at])
        elif rng.random() < 0.3:
            fields[3] = rng.choice(["0", "1", "1.0", "0.0", "-0"])
        lines.append(",".join(fields) + "\n")
    if seed % 4 == 1:
        lines.insert(100, HEADER)
    found = []
    for number, kinds in enumerate((True, False)):
        folder = tmp_path / str(number)
        folder.mkdir()
        house = House(folder)
        (folder / "logs" / "a.csv").write_text(HEADER + "".join(lines))
        monkeypatch.setattr(source, "CHUNK_BYTES", 2_000)
        if not kinds:
            monkeypatch.setattr(RecordValidator, "kinds", {})
        summary = house.ingest()
        found.append((summary.read, summary.taken, summary.reasons, house.signals().rows(),
                      house.store.rejects().rows()))
    assert found[0] == found[1]
    assert found[0][1] > 0


def test_what_came_before_the_damage_is_taken(tmp_path, monkeypatch):
    monkeypatch.setattr(source, "CHUNK_BYTES", 4_000)
    house = House(tmp_path)
    packed = gzip.compress(stepping_log(900).encode(), 0)  # not packed, so that it can be cut
    (tmp_path / "logs" / "a.csv.gz").write_bytes(packed[: len(packed) // 2])
    summary = house.ingest()
    assert len(summary.faults) == 1
    # All but the last stretch of 4,000 bytes, and the lines that it cuts through.
    assert 450 - 2 * 4_000 // 38 < summary.taken <= 450


# Impossible times.
