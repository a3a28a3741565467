"""Run from test_remote.py: machines that write to one bucket, each a child of this process.

It never uses Polars or a bucket itself: their threads would not live through a fork.
"""

from __future__ import annotations

import functools
import json
import os
import signal
import sys
import threading
import traceback
from pathlib import Path

from remanence.pipelines.ingest import ingest as ingest_module
from remanence.pipelines.ingest import pending
from remanence.pipelines.ingest.progress import Silent
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store import disk
from remanence.pipelines.store.bucket import Bucket
from remanence.pipelines.store.store import Store


def child(do):
    pid = os.fork()
    if pid:
        return pid
    status = 1
    try:
        do()
        status = 0
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(status)


def killed(pid):
    _, status = os.waitpid(pid, 0)
    if os.WIFSIGNALED(status):
        return True
    if os.WEXITSTATUS(status):
        raise SystemExit("a child failed")
    return False


def ingest(folder, *names):
    venue, path = load_venue(folder)
    files = [folder / "logs" / name for name in names]
    ingest_module.ingest(venue, path, files or None, progress=Silent())


def look(folder, out):
    venue, path = load_venue(folder)
    store = Store.open(venue, path)
    rows = store.scan_signals().collect().select("channel", "quantity", "value", "time")
    files = store.files()
    out.write_text(json.dumps({
        "rows": [[*row[:3], int(row[3].timestamp() * 1000)] for row in rows.rows()],
        "taken": int(files["taken"].sum()),
        "rejects": store.rejects().select("file", "line").rows()}))


def dies_at(step):
    """Before every request, and before every file that is put in place or removed, is a step."""
    count, lock = [0], threading.Lock()

    def tick():
        with lock:
            count[0] += 1
            if count[0] == step:
                os.kill(os.getpid(), signal.SIGKILL)

    def counted(home, name):
        do = getattr(home, name)

        @functools.wraps(do)
        def run(*args, **named):
            tick()
            return do(*args, **named)

        setattr(home, name, run)

    for name in ("read", "put", "put_if", "changed", "remove"):
        counted(Bucket, name)
    for name in ("replace_file", "sync_names", "nothing_unfinished", "remove"):
        counted(disk, name)


def machine(folder, name, address):
    """A folder with the venue's file and logs, as another machine would have it."""
    home = folder / name
    if not home.exists():
        home.mkdir()
        (home / "logs").symlink_to(folder / "logs")
        text = (folder / "venue.toml").read_text()
        (home / "venue.toml").write_text(
            text.replace("[venue]\n", f'[venue]\nstore = "{address}"\n', 1))
    return home


def kill(folder, bucket, out):
    step = 0
    while True:
        step += 1
        address = f"s3://{bucket}/at-{step}"
        first = machine(folder, f"first-{step}", address)
        other = machine(folder, f"other-{step}", address)

        def dying(first=first, step=step):
            dies_at(step)
            ingest(first)

        died = killed(child(dying))
        # Odd: another machine goes on. Even: the same one, with what it left behind.
        goes_on, looks_at = (other, first) if step % 2 else (first, other)

        def after(goes_on=goes_on, looks_at=looks_at, step=step):
            ingest(goes_on)
            look(looks_at, out / f"{step}.json")

        killed(child(after))
        if not died:
            break


def several(folder, bucket, out):
    pending.COMMIT_ROWS = 60
    address = f"s3://{bucket}/several"
    # Three writers, two of them on one machine. What one loses, none of another machine brings.
    work = [(machine(folder, name, address), log)
            for name, log in (("one", "a.csv"), ("two", "b.csv"), ("two", "b.csv"))]
    writers = [child(lambda at=at: ingest(*at)) for at in work]
    if sum(map(killed, writers)):
        raise SystemExit("a writer was killed")
    killed(child(lambda: look(machine(folder, "three", address), out / "several.json")))


if __name__ == "__main__":
    {"kill": kill, "several": several}[sys.argv[1]](
        Path(sys.argv[2]), sys.argv[3], Path(sys.argv[4]))
