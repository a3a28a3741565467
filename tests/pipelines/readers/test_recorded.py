"""Recorded files by the layout of their ``[[source]]`` block."""

from __future__ import annotations

import json

import pytest

from remanence.pipelines.ingest.ingest import ingest
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.store import Store
from tests.conftest import HARBOUR

SOURCE = '[[source]]\nkind = "mqtt"\naddress = "127.0.0.1"\ntopics = ["#"]\n'
LOGS = '[[log]]\nfiles = ["logs/*.csv", "logs/*.csv.gz"]\nformat = "csv"\n'
AT = "2026-11-02T18:03:11.482000Z"


def line(payload: str, topic: str = "north/q1", **more) -> str:
    return json.dumps({"received": AT, "topic": topic, "id": "a", "payload": payload, **more})


def taken(tmp_path, lines: list[str], keys: str = ""):
    """Records (time, channel, quantity, value), and the reasons of the rejects."""
    (tmp_path / "venue.toml").write_text(HARBOUR.replace(LOGS, "") + "\n" + SOURCE + keys, "utf-8")
    folder = tmp_path / "recorded" / "mqtt"
    folder.mkdir(parents=True)
    (folder / "2026-11-02.jsonl").write_text("".join(f"{text}\n" for text in lines), "utf-8")
    venue, path = load_venue(tmp_path)
    ingest(venue, path)
    store = Store.open(venue, path)
    rows = store.scan_signals().select("time", "channel", "quantity", "value").collect()
    return [(time.isoformat(), *rest) for time, *rest in rows.rows()], store.rejects()["reason"]


@pytest.mark.parametrize(("text", "keys"), [
    (line('{"time": "2026-11-02T18:03:12Z", "value": 1}'), ""),
    (line('{"time": "2026-11-02T18:03:12Z", "channel": "north/q1", "value": true}', "any"), ""),
    (line('{"at": {"ms": 1793642592000}, "state": "ON"}', "house/north/q1"),
     'time_format = "epoch-ms"\ncolumns = { time = "at.ms", value = "state" }\non = ["ON"]\n'
     "off = [\"OFF\"]\nchannel_pattern = '^house/(?P<controller>[^/]+)/(?P<name>[^/]+)$'\n"),
    (line('{"time": "2026-11-02T18:03:12Z", "out": {"q1": 1}}', "board"),
     'layout = "wide"\nchannels = { "out.q1" = "north/q1" }\n'),
    (line("2026-11-02T18:03:12Z q1 is 1", "board"), 'controller = "north"\n'
     "pattern = '^(?P<time>\\S+) (?P<channel>\\w+) is (?P<value>\\d)$'\n"),
    (line('{"time": "2026-11-02T18:03:12Z", "value": 1}', retained=True, late=True), ""),
])
def test_a_payload_by_its_layout(text, keys, tmp_path):
    rows, rejects = taken(tmp_path, [text], keys)
    assert rejects.to_list() == []
    assert rows == [("2026-11-02T18:03:12+00:00", "north/q1", "command", 1.0)]


@pytest.mark.parametrize("keys", [
    "", *(f'time_format = "epoch-{unit}"\n' for unit in ("s", "ms", "us", "ns"))])
def test_without_a_time_that_of_receipt_stands(keys, tmp_path):
    rows, rejects = taken(tmp_path, [line("1"), line('{"value": 0}', "north/i1")], keys)
    assert rejects.to_list() == []
    assert {row[0] for row in rows} == {"2026-11-02T18:03:11.482000+00:00"}
    assert sorted(row[1:] for row in rows) == [
        ("north/i1", "contact", 0.0), ("north/q1", "command", 1.0)]


def test_what_is_no_record_is_passed_over_or_set_aside(tmp_path):
    rows, rejects = taken(tmp_path, [
        line("1", retained=True), line("1", late=True),
        json.dumps({"received": AT, "gap": {"from": AT, "to": AT, "why": "", "held": True}}),
        line("1", "somewhere/else"), line('{"value": '), line("on"),
        json.dumps({"received": AT, "topic": "north/q1", "id": "b", "payload_base64": "/w=="}),
    ])
    assert rows == []
    reasons = " | ".join(rejects)
    assert len(rejects) == 4, reasons
    for words in ("channel is not in the venue file", "payload: not JSON", "value is not 0 or 1",
                  "no UTF-8 text"):
        assert words in reasons
