"""What a fuzzer runs: each target takes any bytes, and only a fault of ours leaves it.

Allowed are a result, rejects with a reason each, or a plain message (:class:`RemanenceError`).
"""

from __future__ import annotations

import contextlib
import itertools
import json
import random
import tempfile
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from remanence.pipelines.derive import store as derived
from remanence.pipelines.ingest.open_log import clock_for, pieces
from remanence.pipelines.ingest.validate import RecordValidator
from remanence.pipelines.readers import FORMATS
from remanence.pipelines.readers.layout import Layout
from remanence.pipelines.readers.source import Source
from remanence.pipelines.sniff.sniff import sniff
from remanence.pipelines.store import disk, manifest
from remanence.pipelines.store.service_log import read_service
from remanence.shared.errors import RemanenceError
from remanence.shared.live_source import read_live_source
from remanence.shared.log_format import LogFormat, read_log_format
from remanence.shared.venue_file import parse_venue
from tests.conftest import HARBOUR
from tests.durability.test_malformed import mutated
from tests.pipelines.ingest.log_examples import ROOT, bytes_of, examples

VENUE = parse_venue(HARBOUR)
FOLDER = Path(tempfile.mkdtemp(prefix="fuzz-"))


@dataclass(frozen=True)
class Target:
    """One thing that reads what others may have written."""

    run: Callable[[bytes], object]
    seeds: tuple[bytes, ...]


@dataclass(frozen=True)
class Form:
    """A form of log, and a good file of it."""

    log: LogFormat
    name: str
    good: bytes


@cache
def forms() -> dict[str, Form]:
    """Every form that the documentation shows, Parquet, and what the recorder keeps."""
    found = {}
    for title, (block, files) in examples().items():
        raw = tomllib.loads(block)["log"][0]
        name, text = next(iter(files.items()))
        found[title] = Form(_log(raw), name, bytes_of(name, text, raw.get("encoding", "utf-8")))
    rows = ROOT / "sample_data" / "logs_by_format" / "rows.parquet"
    found["Parquet"] = Form(_log({"files": ["logs/rows.parquet"], "format": "parquet"}),
                            "logs/rows.parquet", rows.read_bytes())
    for kind, more in (("mqtt", {"address": "localhost", "topics": ["#"]}),
                       ("serial", {"address": "/dev/x", "time_format": "boot-ms"})):
        source, problems = read_live_source({"kind": kind, **more}, "source", lambda *_: 0, FORMATS)
        assert source is not None, problems
        lines = [
            {"received": "2026-11-02T18:03:11.482000Z", "topic": "north/q1", "id": "a",
             "payload": '{"time": 1793642591482, "channel": "north/q1", "value": 1}'},
            {"received": "2026-11-02T18:03:12.482000Z", "topic": "north/i1", "payload": "0"},
            {"received": "2026-11-02T18:03:13.482000Z", "gap": {
                "from": "2026-11-02T18:03:12Z", "to": "2026-11-02T18:03:13Z", "why": "", "held":
                True}}, {"received": "2026-11-02T18:03:14Z", "payload_base64": "/w=="}]
        found[f"Recorded from {kind}"] = Form(
            source.log, f"recorded/{kind}/2026-11-02.jsonl",
            "".join(f"{json.dumps(line)}\n" for line in lines).encode())
    return found


def _log(block: dict) -> LogFormat:
    log, problems = read_log_format(block, "log", lambda *_: 0, FORMATS)
    assert log is not None, problems
    return log


def read_all(form: Form, path: Path) -> int:
    """What ingest does with a file, short of the store; checks that every line is counted."""
    log, name = form.log, form.name
    source = Source(name, path)
    checker = RecordValidator(VENUE)
    layout = Layout(log, name, checker.kinds)
    clock = clock_for(VENUE, log, source, layout, 0)

    def piecewise() -> Iterator:
        return pieces(source, log, layout, 1 << 30, lambda _: None, lambda _: None)

    if clock.two_passes:
        for piece in piecewise():
            clock.survey(piece.records)
    one_each = not (log.unknown or log.ignore_where or len(log.columns_of("value")) > 1)
    total = 0
    for piece in piecewise():
        records = clock.convert(piece.records)
        signals, faults = checker.apply(records, name)
        assert signals.height + faults.height == records.height
        assert signals["value"].is_finite().all()
        assert signals.null_count().sum_horizontal().item() == 0
        assert faults["reason"].null_count() == 0
        assert len(piece.text(faults["line"].to_list())) == faults.height
        if (log.layout == "long" and one_each and not clock.two_passes
                and log.format not in ("parquet", "recorded")):
            assert records.height + piece.rejects.height + piece.passed == piece.lines
        total += piece.lines
    clock.clock_events()
    return total


def _reader(those: list[Form]) -> Target:
    """The first byte says which form of the format the rest is read by."""
    path = FOLDER / f"{those[0].log.format}.log"

    def run(data: bytes) -> None:
        if data:
            path.write_bytes(data[1:])
            with contextlib.suppress(RemanenceError):
                read_all(those[data[0] % len(those)], path)

    return Target(run, tuple(bytes([at]) + form.good for at, form in enumerate(those)))


def _venue(data: bytes) -> None:
    with contextlib.suppress(RemanenceError, UnicodeDecodeError):
        parse_venue(data.decode("utf-8-sig"), "venue.toml", FORMATS)


class Drawn(random.Random):
    """Draws what the fuzzer's bytes say, and zeros once they are used up."""

    def __init__(self, data: bytes) -> None:
        super().__init__(0)
        self.left = iter(data)

    def getrandbits(self, bits: int) -> int:
        return int.from_bytes(bytes(next(self.left, 0) for _ in range(-(-bits // 8)))) % (1 << bits)

    def random(self) -> float:
        return self.getrandbits(16) / 65_536


def _sealed(good: dict, data: bytes) -> bytes:
    """After a byte of 0 any text; else a good manifest with so many things in it made odd.

    With a seal that holds, as a program of ours would have written it.
    """
    text = data[1:].decode("utf-8", "replace")
    if data[:1] != b"\0":
        draw, odd = Drawn(data[1:]), good
        for _ in range(1 + data[:1].count(b"\x02")):
            odd = mutated(odd, draw)
        text = json.dumps(odd)
    return (disk.sealed(text) if text.startswith("{") and len(text) > 2 else text).encode(
        "utf-8", "replace")


def _manifest(data: bytes) -> None:
    (FOLDER / manifest.NAME).write_bytes(_sealed(STORE, data))
    with contextlib.suppress(RemanenceError):
        held = manifest.read_manifest(FOLDER)
        assert held is None or all(disk.is_below(path) for path in held.named())


def _derived(data: bytes) -> None:
    home = FOLDER / derived.FOLDER
    home.mkdir(exist_ok=True)
    (home / derived.NAME).write_bytes(_sealed(TABLES, data))
    assert all(disk.is_below(path) for path in derived.read_manifest(FOLDER).named())


def _service(data: bytes) -> None:
    (FOLDER / "service.csv").write_bytes(data)
    with contextlib.suppress(RemanenceError):
        found = read_service(VENUE, FOLDER / "venue.toml")
        assert set(found.entries["lock"]) <= {lock.id for lock in VENUE.locks}


def _sniff(data: bytes) -> None:
    path = FOLDER / "sniffed.log"
    path.write_bytes(data)
    with contextlib.suppress(RemanenceError):
        assert "sniffed.log" in sniff([path])


DAY = {"changed": 1, "segments": [
    {"path": "signals/a.parquet", "kind": "edges", "rows": 2, "first": 1, "last": 2},
    {"shared": 0, "kind": "levels", "rows": 2, "first": 1, "last": 2, "at": 3}]}
STORE = {"format": "remanence-store", "version": 5,
         "shared": [{"path": "signals/b.parquet", "rows": 5}], "store": "a", "venue": "harbour",
         "generation": 3, "days": {"2026-11-02": DAY},
         "rejects": [{"path": "rejects/a.parquet", "rows": 1, "files": ["logs/a.csv"], "first": 1,
                      "last": 2}],
         "kept": {"files": {"path": "files-a.parquet", "rows": 1}},
         "retired": [["old.parquet", 1.5]]}
TABLES = {"format": derived.FORMAT, "version": derived.VERSION, "generation": 1, "made_for": "a",
          "learned": {"chart-drawer": "closed"}, "votes": {}, "blocks": [{
              "days": {"2026-11-02": "a-1"}, "before": [], "carried": "", "left": "left/a.json",
              "left_print": "b", "files": {"actuations": "actuations/a.parquet"}, "rows": 1}],
          "unfinished": {}, "retired": [["old.parquet", 1.5]]}
DRAW = b"\2" + bytes(range(64))
SERVICE = b"""date,lock,action,part,note,result
2026-11-03,chart-drawer,replaced,latch-s,"a ""note"", of two",
2026-11-04,store-door,release-tested,,,passed
03.11.2026,nobody,danced,,,
"""


NAMES = (*(f"reader-{name}" for name in FORMATS),
         "venue", "manifest", "derived-manifest", "service", "sniff")


@cache
def targets() -> dict[str, Target]:
    """Every target by its name, those of NAMES."""
    by_format = {
        name: list(those) for name, those in itertools.groupby(
            sorted(forms().values(), key=lambda form: form.log.format),
            key=lambda form: form.log.format)}
    return {
        **{f"reader-{name}": _reader(those) for name, those in by_format.items()},
        "venue": Target(_venue, (HARBOUR.encode(), (
            ROOT / "sample_data" / "logs_by_format" / "venue.toml").read_bytes())),
        "manifest": Target(_manifest, (b"\0" + json.dumps(STORE).encode(), DRAW)),
        "derived-manifest": Target(_derived, (b"\0" + json.dumps(TABLES).encode(), DRAW)),
        "service": Target(_service, (SERVICE,)),
        "sniff": Target(_sniff, tuple(form.good for form in forms().values())),
    }
