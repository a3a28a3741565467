"""The store keeps every record once, and readers see whole states only."""

from __future__ import annotations

import itertools
import json
import os
import random
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from polars.testing import assert_frame_equal

from remanence.pipelines.store import days as store_days
from remanence.pipelines.store import disk, retired
from remanence.pipelines.store import manifest as store_manifest
from remanence.pipelines.store import store as store_module
from remanence.pipelines.store.name_codes import coded, plain
from remanence.pipelines.store.store import Batch, Store
from remanence.shared.errors import StoreError
from remanence.shared.tables import CLOCK_EVENTS, FILES, REJECTS, SIGNALS
from remanence.shared.venue import Venue

FLIPS = int(os.environ.get("REMANENCE_FLIPS", "40"))
START = datetime(2026, 11, 2, 18, tzinfo=UTC)


def signals(ticks, channel="north/q1", quantity="command", file="a.csv"):
    """One record per tick (seconds after START); the line is its position."""
    return SIGNALS.conform(pl.DataFrame({
        "time": [START + timedelta(seconds=t) for t in ticks],
        "channel": channel, "quantity": quantity,
        "value": [float(i % 2) for i in range(len(ticks))],
        "run": 0, "file": file, "line": list(range(2, len(ticks) + 2)), "place": 0, "again": 0,
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
    monkeypatch.setattr(retired, "KEEP_RETIRED_S", 0.0)
    store.commit(Batch(signals([9])))
    assert our_files(store) == store._manifest().named()


def our_files(store):
    return {p.relative_to(store.folder).as_posix() for p in store.folder.glob("signals/*/*")}


def test_what_a_killed_writer_began_goes_after_a_week_and_nothing_else_does(store, monkeypatch):
    store.commit(Batch(signals([1])))
    with monkeypatch.context() as killed:
        killed.setattr(store_module, "name_files", lambda *args: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            store.commit(Batch(signals([2])))
    [left] = our_files(store) - store._manifest().named()
    day = store.folder / "signals" / "2026-11-02"
    foreign = [day / f"edges-{'0' * 16}.parquet", day / f"levels-{'0' * 64}.parquet",
               store.folder / "film.mkv", store.folder / ".manifest.json.bak"]
    for path in foreign:
        path.write_bytes(b"somebody else's")
    now = retired.time.time()
    for days, there in ((0, True), (6.9, True), (-1, True), (7.1, False)):
        monkeypatch.setattr(retired.time, "time", lambda days=days: now + 86_400 * days)
        store.commit(Batch(signals([10 + days])))
        assert (store.folder / left).exists() == there, days
    assert all(path.read_bytes() == b"somebody else's" for path in foreign)


def test_a_manifest_that_names_a_file_that_is_not_there_deletes_nothing(store, monkeypatch):
    store.commit(Batch(signals([1])))
    store.commit(Batch(pl.concat([signals([3]), signals([86_400])])))
    store.commit(Batch(signals([2])))
    lost = next(p for p in store._manifest().named() if "2026-11-03" in p)
    (store.folder / lost).rename(store.folder / "elsewhere")
    files = our_files(store)
    monkeypatch.setattr(retired, "KEEP_RETIRED_S", 0.0)
    store.commit(Batch(signals([9])))
    assert files <= our_files(store)
    (store.folder / "elsewhere").rename(store.folder / lost)
    store.commit(Batch(signals([11])))
    assert our_files(store) == store._manifest().named()


def test_a_folder_in_use_is_no_store(store):
    store.folder.mkdir()
    (store.folder / "archive.parquet").write_bytes(b"a")
    (store.folder / "signals").mkdir()
    says = r"is not empty \(found 'archive.parquet', 'signals'\)"
    for act in (store.days, lambda: store.commit(Batch(signals([1])))):
        with pytest.raises(StoreError, match=says):
            act()
    assert {path.name for path in store.folder.iterdir()} <= {
        "archive.parquet", "signals", ".lock"}


def test_another_venues_store_is_refused(store, tmp_path):
    store.commit(Batch(signals([1])))
    other = Venue(id="w", name="w", time_zone="UTC")
    with pytest.raises(StoreError, match='holds the records of the venue "v", not of "w"'):
        Store.open(other, tmp_path / "venue.toml")
    with pytest.raises(StoreError, match="--renamed"):
        Store(store.folder, "w").commit(Batch(signals([2])))


def read_all(store):
    return held(store), store.rejects(), store.files()


def test_every_flipped_bit_is_seen(store):
    """In every file and in the manifest, at places drawn with a fixed seed."""
    rejects = pl.DataFrame([("a.csv", 7, "text", "why")], schema=REJECTS.schema, orient="row")
    store.commit(Batch(pl.concat([levels_of_a_day(40), signals([1, 2])]), rejects))
    rng = random.Random(11)
    paths = [store.folder / path for path in store._manifest().named()]
    for path in [*paths, store.folder / "manifest.json"]:
        good = path.read_bytes()
        for _ in range(FLIPS):
            bad = bytearray(good)
            bad[rng.randrange(len(bad))] ^= 1 << rng.randrange(8)
            path.write_bytes(bad)
            disk.forget_checks()
            with pytest.raises(StoreError, match=r"damaged|is not a store|cannot be read|version"):
                read_all(store)
        path.write_bytes(good)
    disk.forget_checks()
    assert held(store).height == 124


def test_an_exchanged_segment_is_seen(store):
    store.commit(Batch(signals([1, 86_400])))
    one, other = (store.folder / path for path in sorted(our_files(store)))
    one.write_bytes(other.read_bytes())
    disk.forget_checks()
    with pytest.raises(StoreError, match="is damaged: its content is not what was written"):
        held(store)


def test_a_full_disk_changes_nothing_and_says_so(store, monkeypatch):
    store.commit(Batch(signals([1])))
    before = store.days()

    def full(*args):
        raise OSError(28, "No space left on device")
    monkeypatch.setattr(store_manifest, "write_manifest", full)
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
    ('{"format": "remanence-store", "version": 4}', "its text is not what was written"),
])
def test_a_store_of_another_version_is_refused_in_plain_words(store, text, says):
    store.folder.mkdir()
    (store.folder / "manifest.json").write_text(text)
    with pytest.raises(StoreError, match=says):
        store.days()
    with pytest.raises(StoreError, match=says):
        store.commit(Batch(signals([1])))


def as_version(version, raw):
    """A manifest as older programs wrote it: no seal, no venue, a name a table."""
    del raw["sha256"], raw["venue"]
    kept = raw.pop("kept")
    return raw | {"version": version, **{
        name: kept[name]["path"] if name in kept else None for name in ("files", "clock_events")}}


def test_a_store_of_the_first_version_is_upgraded(store):
    rejects = pl.DataFrame([("a.csv", 7, "text", "why")], schema=REJECTS.schema, orient="row")
    store.commit(Batch(signals([1, 2]), rejects))
    path = store.folder / "manifest.json"
    raw = as_version(1, json.loads(path.read_text()))
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
    """Against a loop and a plain sort, over disorder, ties and records that come twice."""
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
    places = rng.choice([[0], [0, 1, 5]])
    frame = pl.DataFrame(
        [(*row, rng.choice(runs), rng.choice(["a.csv", "b.csv"]), line,
          rng.choice(places), rng.choice(places))
         for line, row in enumerate(rows)], schema=SIGNALS.schema, orient="row")
    furthest: dict[tuple, dict] = {}
    for row in frame.to_dicts():
        held = furthest.setdefault(tuple(row[name] for name in store_days.KEY), row)
        held["place"] = max(held["place"], row["place"])
    expected = pl.DataFrame(list(furthest.values()), schema=SIGNALS.schema).sort(
        store_days.ORDER, maintain_order=True)
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
    assert_frame_equal(stored, stored.sort("channel", "quantity", "time", "place", "value"))
    [edges] = (store.folder / "signals").glob("*/edges-*.parquet")
    assert pl.read_parquet(edges)["time"].is_sorted()
    expected = new.sort(*store_days.ORDER)
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


def test_several_days_lie_in_a_file_as_each_lies_by_itself(monkeypatch):
    monkeypatch.setattr(store_days, "OWN_GROUP", 100)
    days = [levels_of_a_day().with_columns(pl.col("time") + timedelta(days=day))
            for day in (0, 1, 4)] + [signals([6 * 86_400], "rail-b", "volts")]
    frame = coded(pl.concat(days).sort("time"))
    begins = list(itertools.accumulate(day.height for day in days[:-1]))
    laid, groups = store_days.laid_out(frame, "levels", begins)
    at = 0
    for start, stop in itertools.pairwise([0, *begins, frame.height]):
        own, starts = store_days.laid_out(frame[start:stop], "levels")
        assert_frame_equal(laid[start:stop], own)
        assert groups[at:at + len(starts)] == [start + each for each in starts]
        at += len(starts)
        assert groups[at:at + 1] == ([stop] if stop < frame.height else [])
        at += 1


def test_a_store_whose_levels_lie_in_time_order_goes_on(store, monkeypatch):
    """Stores of version 2: what is there is read and joined with what comes."""
    new = levels_of_a_day()
    early, late = new[::2], new[1::2]
    with monkeypatch.context() as older:
        older.setattr(store_days, "channel_by_channel", lambda frame, _: frame)
        older.setattr(store_days, "row_groups", lambda frame, _: [])
        store.commit(Batch(early))
    path = store.folder / "manifest.json"
    raw = as_version(2, json.loads(path.read_text()))
    path.write_text(json.dumps(raw))
    assert_frame_equal(held(store), early.sort(*store_days.ORDER))
    assert store.commit(Batch(new)).taken == {"a.csv": late.height}
    assert json.loads(path.read_text())["version"] == store_manifest.VERSION
    assert_frame_equal(held(store), new.sort(*store_days.ORDER))


def test_a_clock_that_was_put_back_removes_nothing_early(tmp_path, monkeypatch):
    """What goes out of use while it is a day behind, is kept a week by the right clock."""
    manifest = tmp_path / "manifest.json"
    manifest.write_text("{}")
    now, day = manifest.stat().st_mtime, 86_400.0
    for earlier in ([], [("old", now)]):
        monkeypatch.setattr(retired.time, "time", lambda: now - 3 * day)
        kept = retired.retire(manifest, earlier, ["out"])
        for days, removed in ((0, []), (6.9, []), (7, ["old", "out"] if earlier else ["out"])):
            monkeypatch.setattr(retired.time, "time", lambda days=days: now + days * day)
            assert retired.removable(tmp_path, kept, [])[1] == removed
