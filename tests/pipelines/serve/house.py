"""A small venue with a report, a live log and a password, and its server as a process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import urllib.error
import urllib.request
from datetime import UTC, datetime, timedelta
from pathlib import Path

from remanence.pipelines.serve.password import DEFAULT_FILE, write_password
from tests.conftest import HARBOUR
from tests.pipelines.record.processes import LOGS, free_port, until

PASSWORD = "seven brass hinges"
NASTY = '<script>alert(1)</script>"><img src=x onerror=alert(2)>'
ROOT = Path(__file__).parents[3]
ZONED = HARBOUR.replace(LOGS, '[[source]]\nkind = "file"\naddress = "show.txt"\n')


def venue(folder: Path, *, password: bool = True, text: str = ZONED) -> Path:
    """A venue that records, with two weeks of reports."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "venue.toml").write_text(text, encoding="utf-8")
    for week, status in (("2026-W46", "new"), ("2026-W47", "worse")):
        write_report(folder, week, status)
    if password:
        write_password(folder / DEFAULT_FILE, PASSWORD)
    return folder


def write_report(folder: Path, week: str, status: str = "new", urgency: str = "now") -> None:
    home = folder / "reports" / week
    home.mkdir(parents=True, exist_ok=True)
    (home / "index.html").write_text(f"<title>{week}</title>", encoding="utf-8")
    finding = {"subject": "chart-drawer", "subject_kind": "lock", "condition": "sticking-catch",
               "title": "Catch sticks", "says": "It sticks.", "urgency": urgency,
               "status": status, "since": "2026-11-02", "first_named": week}
    gone = {**finding, "subject": "rail-a", "subject_kind": "supply",
            "condition": "of-another-version", "title": f"Low {NASTY}", "status": "ended"}
    lock = {"state": "good", "latency_from": "catch", "resolution_ms": 1.0,
            "latency_before_ms": {"value": 60.0}, "latency_p95_before_ms": {"value": 70.0}}
    (home / "findings.json").write_text(json.dumps({
        "schema": 2, "venue": "harbour", "week": week, "findings": [finding, gone],
        "locks": [{"lock": "chart-drawer", **lock},
                  {"lock": "store-door", **lock, "latency_from": "armature"}]}), encoding="utf-8")


class LiveLog:
    """What ``record`` would write today, a line at a time."""

    def __init__(self, folder: Path, source: str = "file") -> None:
        self.home = folder / "recorded" / source
        self.home.mkdir(parents=True, exist_ok=True)
        self.count = 0

    def put(self, channel: str, value: float, ago_s: float = 0.0) -> None:
        now = datetime.now(UTC) - timedelta(seconds=ago_s)
        self.count += 1
        time = now.isoformat().replace("+00:00", "Z")
        quantity = ("volts" if channel.startswith("rail") else
                    "command" if "/q" in channel else "contact")
        payload = {"time": time, "channel": channel, "quantity": quantity, "value": value}
        line = {"received": time, "topic": "show", "id": f"{self.count:024x}",
                "payload": json.dumps(payload)}
        with (self.home / f"{now:%Y-%m-%d}.jsonl").open("a", encoding="utf-8") as file:
            file.write(json.dumps(line) + "\n")

    def at_rest(self, ago_s: float = 30.0) -> None:
        """Drawer shut, door held."""
        for channel, value in (("north/q1", 0), ("north/i1", 1), ("north/q2", 1), ("north/i2", 1)):
            self.put(channel, value, ago_s)

    def cycle_drawer(self, latency_ms: float = 60.0, ago_s: float = 10.0) -> None:
        self.put("north/q1", 1, ago_s)
        self.put("north/i1", 0, ago_s - latency_ms / 1000)
        self.put("north/q1", 0, ago_s - 0.3)

    def cycle_door(self, ago_s: float = 9.0, *, opens: bool = True) -> None:
        self.put("north/q2", 0, ago_s)
        if opens:
            self.put("north/i2", 0, ago_s - 0.06)
        self.put("north/q2", 1, ago_s - 2)


class Server:
    """``remanence serve`` as a process of its own."""

    def __init__(self, folder: Path, *more: str) -> None:
        self.folder, self.port = folder, free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        environment = {name: value for name, value in os.environ.items()
                       if name != "SOURCE_DATE_EPOCH"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "remanence", "serve", str(folder), "--port", str(self.port),
             *more], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env=environment)

    def __enter__(self) -> Server:
        until(lambda: self.get("/sign-in") or self.process.poll() is not None)
        assert self.process.poll() is None, self.process.communicate()
        return self

    def __exit__(self, *_) -> None:
        self.process.terminate()
        self.process.communicate(timeout=30)

    def get(self, path: str) -> str | None:
        try:
            with urllib.request.urlopen(self.url + path, timeout=10) as answer:
                return answer.read().decode()
        except urllib.error.HTTPError as error:
            return error.read().decode()
        except OSError:
            return None
