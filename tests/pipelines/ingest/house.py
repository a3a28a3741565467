"""A venue in a folder of its own to take logs into, shared by the tests of ingest."""

from __future__ import annotations

import gzip

from remanence.pipelines.ingest.ingest import ingest
from remanence.pipelines.ingest.progress import Silent
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.store import Store

BARE = """
[venue]
id = "harbour"
name = "Harbour Lights"
time_zone = "Europe/Lisbon"

[[supply]]
id = "rail-a"
channel = "rail-a"
rated_volts = 12.0

[[lock]]
id = "chart-drawer"
guards = "container"
mechanism = "latch"
supply = "rail-a"
command = "north/q1"
contact = "north/i1"
contact_closed_when = "locked"
"""
"""A venue file to which ``[[log]]`` blocks are added."""

VENUE = BARE + """
[[log]]
files = ["logs/*.csv", "logs/*.csv.gz"]

[[log]]
files = ["logs/*.jsonl"]
format = "jsonl"
"""
HEADER = "time,channel,quantity,value\n"
GOOD = [
    "2026-11-02T18:03:11.482Z,north/q1,command,1",
    "2026-11-02T18:03:11.547Z,north/i1,contact,0",
    "2026-11-02T18:03:11.550Z,rail-a,volts,11.62",
]


class House:
    """A venue on disk, with its logs."""

    def __init__(self, folder, text=VENUE):
        self.folder = folder
        (folder / "logs").mkdir()
        (folder / "venue.toml").write_text(text)

    def write(self, name, text):
        path = self.folder / "logs" / name
        data = text if isinstance(text, bytes) else text.encode()
        path.write_bytes(gzip.compress(data) if name.endswith(".gz") else data)
        return path

    def ingest(self, files=None, **kwargs):
        venue, path = load_venue(self.folder)
        summary = ingest(venue, path, files, progress=Silent(), **kwargs)
        for count in summary.files:
            assert count.read == count.taken + count.repeated + count.rejected
            assert min(count.read, count.taken, count.repeated, count.rejected) >= 0
        return summary

    @property
    def store(self):
        venue, path = load_venue(self.folder)
        return Store.open(venue, path)

    def signals(self):
        return self.store.scan_signals().collect()

    def reasons(self):
        return dict(self.store.rejects().select("line", "reason").rows())


def lines(rows, header=HEADER):
    return header + "".join(row + "\n" for row in rows)
