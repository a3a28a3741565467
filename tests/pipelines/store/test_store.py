"""The store keeps every record once, and readers see whole states only."""

from __future__ import annotations

import itertools
import json
import random
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from polars.testing import assert_frame_equal

from remanence.pipelines.store import days as store_days
from remanence.pipelines.store import manifest as store_manifest
from remanence.pipelines.store import store as store_module
from remanence.pipelines.store.name_codes import coded, plain
from remanence.pipelines.store.store import Batch, Store
from remanence.shared.errors import StoreError
from remanence.shared.tables import CLOCK_EVENTS, FILES, REJECTS, SIGNALS
from remanence.shared.venue import Venue

START = datetime(2026, 11, 2, 18, tzinfo=UTC)


def signals(ticks, channel="north/q1", quantity="command", file="a.csv"):
    """One record per tick (seconds after START); the line is its position."""
    return SIGNALS.conform(pl.DataFrame({
        "time": [START + timedelta(seconds=t) for t in ticks],
        "channel": channel, "quantity": quantity,
        "value": [float(i % 2) for i in range(len(ticks))],
        "run": 0, "file": file, "line": list(range(2, len(ticks) + 2)),
    }, schema_overrides={"time": pl.Datetime("us", "UTC")}))


@pytest.fixture
def store(tmp_path):
    return Store.open(Venue(id="v", name="v", time_zone="UTC"), tmp_path / "venue.toml")


def held(store, **kwargs):
    return store.scan_signals(**kwargs).collect()


def test_an_empty_store_answers_with_empty_tables_and_creates_nothing(store, tmp_path):
    assert store.days() == {}
    assert held(store).schema == SIGNALS.schema
    assert store.rejects().schema == REJECTS.schema
    assert store.files().schema == FILES.schema
    assert store.clock_events().schema == CLOCK_EVENTS.schema
    assert list(tmp_path.iterdir()) == []


def test_records_come_back_sorted_and_each_once(store):
    new = signals([5, 1, 1, 3])
    done = store.commit(Batch(pl.concat([new, new])))
    assert done.taken == {"a.csv": 4}
    assert done.days == (date(2026, 11, 2),)
    assert_frame_equal(held(store), new.sort("time", "channel", "quantity", "value"))
    assert store.commit(Batch(new.reverse())).taken == {}
    assert held(store).height == 4


def test_a_days_fingerprint_changes_only_with_its_records(store):
    store.commit(Batch(signals([1, 2])))
    store.commit(Batch(signals([86_400 + 1])))
    first = store.days()
    assert list(first) == [date(2026, 11, 2), date(2026, 11, 3)]
    store.commit(Batch(signals([1, 2])))
    assert store.days() == first
    store.commit(Batch(signals([86_400 + 7])))
    second = store.days()
    assert second[date(2026, 11, 2)] == first[date(2026, 11, 2)]
    assert second[date(2026, 11, 3)] != first[date(2026, 11, 3)]


def test_days_and_quantities_can_be_read_alone(store):
    store.commit(Batch(pl.concat([
        signals([1, 86_401]), signals([2, 86_402], "rail-a", "volts"),
        signals([3], "rail-a", "amps"),
    ])))
    assert held(store, days=[date(2026, 11, 3)])["time"].dt.second().to_list() == [1, 2]
    assert held(store, quantities=["volts"])["quantity"].unique().to_list() == ["volts"]
    assert held(store, quantities=["volts"]).height == 2
    assert held(store, quantities=["command", "contact"]).height == 2
    assert held(store)["time"].is_sorted()
    assert held(store, days=[date(2020, 1, 1)]).is_empty()


def test_any_order_and_overlap_of_batches_gives_the_same_table(store, monkeypatch):
    monkeypatch.setattr(store_days, "SEGMENT_ROWS", 40)
    monkeypatch.setattr(store_days, "SMALL_ROWS", 20)
    monkeypatch.setattr(store_days, "MANY_SEGMENTS", 3)
    rng = random.Random(4)
    everything = signals([rng.randrange(0, 180_000) // 7 for _ in range(600)]).unique(
        subset=store_days.KEY, keep="first")
    for _ in range(60):
        start = rng.randrange(0, 500)
        piece = everything.sort("time")[start : start + rng.randrange(1, 100)]
        store.commit(Batch(piece.sample(fraction=1, shuffle=True, seed=rng.randrange(999))))
    store.commit(Batch(everything))
    names = list(store_days.KEY)
    assert_frame_equal(held(store).select(names), everything.select(names).sort(names))
    manifest = json.loads((store.folder / "manifest.json").read_text())
    for day in manifest["days"].values():
        ends = [(s["first"], s["last"]) for s in day["segments"]]
        assert all(a[1] < b[0] for a, b in itertools.pairwise(ends))


def test_records_of_one_instant_are_never_cut_apart(store, monkeypatch):
    monkeypatch.setattr(store_days, "SEGMENT_ROWS", 3)
    crowd = pl.concat([signals([1, 1], f"north/q{i}") for i in range(8)])
    store.commit(Batch(pl.concat([signals([0]), crowd, signals([2])])))
    store.commit(Batch(crowd))
    assert held(store).height == 18
    assert held(store)["time"].is_sorted()


def test_rejects_and_clock_events_of_a_file_read_afresh_are_replaced(store):
    def rejects(*lines, file="a.csv"):
        return pl.DataFrame([(file, n, "text", "why") for n in lines], schema=REJECTS.schema,
                            orient="row")
    store.commit(Batch(signals([1]), rejects(1, 2)))
    store.commit(Batch(signals([1]), rejects(2, 3)))
    store.commit(Batch(signals([1]), rejects(9, file="b.csv")))
    assert store.rejects()["line"].to_list() == [1, 2, 3, 9]
    store.commit(Batch(signals([1]), rejects(7), afresh={"a.csv": 1}))
    assert store.rejects().select("file", "line").rows() == [("a.csv", 7), ("b.csv", 9)]
    store.commit(Batch(signals([1]), afresh={"a.csv": 1}))
    assert store.rejects()["file"].to_list() == ["b.csv"]


def test_readers_keep_the_files_they_look_at_and_old_ones_go_later(store, monkeypatch):
    store.commit(Batch(signals([1, 5])))
    reader = store.scan_signals()
    store.commit(Batch(signals([3])))
    assert reader.collect().height == 2
    assert held(store).height == 3
    monkeypatch.setattr(store_module, "KEEP_RETIRED_S", 0.0)
    store = Store(store.folder)
    store.commit(Batch(signals([9])))
    files = {p.relative_to(store.folder).as_posix() for p in store.folder.glob("signals/*/*")}
    assert files == store._manifest().named()


def test_leftovers_of_a_killed_writer_are_swept_and_others_files_are_not(store):
    store.commit(Batch(signals([1])))
    left = store.folder / "signals" / "2026-11-02" / "edges-dead.parquet"
    left.write_bytes(b"half")
    other = store.folder / "derived" / "x.parquet"
    other.parent.mkdir()
    other.write_bytes(b"not ours")
    Store(store.folder).commit(Batch(signals([2])))
    assert not left.exists()
    assert other.exists()


def test_a_full_disk_changes_nothing_and_says_so(store, monkeypatch):
    store.commit(Batch(signals([1])))
    before = store.days()

    def full(*args):
        raise OSError(28, "No space left on device")
    monkeypatch.setattr(store_module, "write_manifest", full)
    with pytest.raises(StoreError, match=r"No space left on device; what was taken in before"):
        store.commit(Batch(signals([2])))
    monkeypatch.undo()
    assert store.days() == before
    assert store.commit(Batch(signals([2]))).taken == {"a.csv": 1}


@pytest.mark.parametrize(("text", "says"), [
    ("{", "is damaged"),
    ('{"format": "other"}', "is not a store of Remanence"),
    ('{"format": "remanence-store"}', "does not say its version"),
    ('{"format": "remanence-store", "version": 99}', "written by a newer Remanence"),
    ('{"format": "remanence-store", "version": 0}', "written by an older Remanence"),
    ('{"format": "remanence-store", "version": 1}', "parts are missing"),
    ('{"format": "remanence-store", "version": 2}', "parts are missing"),
])
def test_a_store_of_another_version_is_refused_in_plain_words(store, text, says):
    store.folder.mkdir()
    (store.folder / "manifest.json").write_text(text)
    with pytest.raises(StoreError, match=says):
        store.days()
    with pytest.raises(StoreError, match=says):
        store.commit(Batch(signals([1])))


def test_a_store_of_the_first_version_is_upgraded(store):
    rejects = pl.DataFrame([("a.csv", 7, "text", "why")], schema=REJECTS.schema, orient="row")
    store.commit(Batch(signals([1, 2]), rejects))
    path = store.folder / "manifest.json"
    raw = json.loads(path.read_text())
    raw["version"] = 1
    for entry in raw["rejects"]:
        del entry["first"], entry["last"]
    path.write_text(json.dumps(raw))
    assert held(store).height == 2
    assert store.rejects().height == 1
    store.commit(Batch(signals([3]), rejects))
    assert json.loads(path.read_text())["version"] == store_manifest.VERSION
    assert (held(store).height, store.rejects().height) == (3, 1)


def test_signals_without_a_manifest_are_not_taken_for_an_empty_store(store):
    store.commit(Batch(signals([1])))
    (store.folder / "manifest.json").unlink()
    with pytest.raises(StoreError, match=r"manifest\.json is missing"):
        store.days()


@pytest.mark.parametrize("seed", range(20))
def test_records_are_sorted_and_told_apart_as_the_obvious_way_does(seed):
    """Against a plain sort by all four columns, over disorder, ties and records that come twice."""
    rng = random.Random(seed)
    count = rng.choice([1, 2, 50, 400])
    rows = [(START + timedelta(milliseconds=rng.randrange(max(count // rng.choice([1, 4, 40]), 1))),
             rng.choice(["rail-b", "rail-a", "a/1"]), rng.choice(["volts", "amps"]),
             rng.choice([11.5, 12.0, -3.0, 1e-9])) for _ in range(count)]
    if seed % 3 == 0:
        rows.sort(key=lambda row: row[0])
    if seed % 5 == 0:  # so far apart that one number cannot hold it all
        rows.append((datetime(2099, 1, 1, tzinfo=UTC), *rows[0][1:]))
        rows.append((datetime(2000, 1, 1, tzinfo=UTC), *rows[0][1:]))
    runs = rng.choice([[0], [0, None], [0, 1, 2]])
    frame = pl.DataFrame(
        [(*row, rng.choice(runs), rng.choice(["a.csv", "b.csv"]), line)
         for line, row in enumerate(rows)], schema=SIGNALS.schema, orient="row")
    expected = frame.sort(store_days.KEY, maintain_order=True).unique(
        store_days.KEY, keep="first", maintain_order=True)
    assert_frame_equal(plain(store_days.in_order(coded(frame))), expected)
    by_channel = store_days.channel_by_channel(coded(expected))
    assert_frame_equal(plain(by_channel), expected.sort(
        "channel", "quantity", maintain_order=True))


def test_any_reader_finds_plain_text_and_utc_times(store):
    store.commit(Batch(signals([1, 2])))
    [path] = (store.folder / "signals").glob("*/*.parquet")
    schema = pq.read_schema(path)
    assert schema.metadata[b"remanence_table"] == b"signals"
    assert schema.field("channel").type == pa.string()
    assert schema.field("time").type == pa.timestamp("us", tz="UTC")
    assert pl.read_parquet(path).schema == SIGNALS.schema


def levels_of_a_day(count=300):
    """Three channels read in turn, one of them seldom."""
    return pl.concat([
        signals(range(0, 60 * count, 60), "rail-b", "volts"),
        signals(range(1, 60 * count, 60), "rail-a", "volts"),
        signals(range(2, 60 * count, 60), "rail-a", "amps"),
        signals([30, 90], "rail-c", "volts"),
    ])


def test_levels_lie_channel_by_channel_in_row_groups_of_their_own(store, monkeypatch):
    monkeypatch.setattr(store_days, "OWN_GROUP", 100)
    monkeypatch.setattr(store_days, "ROW_GROUP", 250)
    new = levels_of_a_day()
    store.commit(Batch(pl.concat([new, signals([1, 2])])))
    [path] = (store.folder / "signals").glob("*/levels-*.parquet")
    file = pq.ParquetFile(path)
    groups = [file.read_row_group(n).select(["channel", "quantity"]).to_pylist()
              for n in range(file.num_row_groups)]
    whose = [{(row["channel"], row["quantity"]) for row in group} for group in groups]
    assert [len(group) for group in groups] == [250, 50, 250, 50, 250, 50, 2]
    assert whose == [{("rail-a", "amps")}] * 2 + [{("rail-a", "volts")}] * 2 + [
        {("rail-b", "volts")}] * 2 + [{("rail-c", "volts")}]
    stored = pl.read_parquet(path)
    assert_frame_equal(stored, stored.sort("channel", "quantity", "time", "value"))
    [edges] = (store.folder / "signals").glob("*/edges-*.parquet")
    assert pl.read_parquet(edges)["time"].is_sorted()
    expected = new.sort(*store_days.KEY)
    assert_frame_equal(held(store, quantities=["volts", "amps"]), expected)
    assert_frame_equal(held(store, quantities=["amps"]), expected.filter(
        pl.col("quantity") == "amps"))


def test_channels_with_few_records_share_a_row_group(store, monkeypatch):
    monkeypatch.setattr(store_days, "OWN_GROUP", 50)
    store.commit(Batch(pl.concat([
        signals(range(40), "a", "volts"), signals(range(40), "b", "volts"),
        signals(range(60), "c", "volts"), signals(range(40), "d", "volts")])))
    [path] = (store.folder / "signals").glob("*/levels-*.parquet")
    file = pq.ParquetFile(path)
    assert [file.metadata.row_group(n).num_rows for n in range(3)] == [80, 60, 40]


def test_a_store_whose_levels_lie_in_time_order_goes_on(store, monkeypatch):
    """Stores of version 2: what is there is read and joined with what comes."""
    new = levels_of_a_day()
    early, late = new[::2], new[1::2]
    with monkeypatch.context() as older:
        older.setattr(store_days, "channel_by_channel", lambda frame: frame)
        older.setattr(store_days, "row_groups", lambda frame: [])
        store.commit(Batch(early))
    path = store.folder / "manifest.json"
    raw = json.loads(path.read_text())
    raw["version"] = 2
    path.write_text(json.dumps(raw))
    assert_frame_equal(held(store), early.sort(*store_days.KEY))
    assert store.commit(Batch(new)).taken == {"a.csv": late.height}
    assert json.loads(path.read_text())["version"] == store_manifest.VERSION
    assert_frame_equal(held(store), new.sort(*store_days.KEY))
