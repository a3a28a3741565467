"""A broker and a recorder as processes of their own, which the tests start, kill and stop."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.conftest import HARBOUR

ROOT = Path(__file__).parents[3]
LOGS = '[[log]]\nfiles = ["logs/*.csv", "logs/*.csv.gz"]\nformat = "csv"\n'


def mosquitto() -> str:
    """The broker's program; without it the test is skipped, on the build machine it fails."""
    places = f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin"
    found = shutil.which("mosquitto", path=places)
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("mosquitto is missing: apt-get install mosquitto")
        pytest.skip("mosquitto is not installed")
    return found


def free_port(kind: int = socket.SOCK_STREAM) -> int:
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(what, timeout_s: float = 30.0):
    """Wait until ``what()`` is true; its value."""
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        found = what()
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(f"waited {timeout_s:g} s in vain")


class Broker:
    """A mosquitto on a free port of loopback, with persistence."""

    def __init__(self, folder: Path, more: str = "", listener: str = "", *,
                 settings: bool = True) -> None:
        self.program = mosquitto()
        self.port = free_port()
        folder.mkdir(exist_ok=True)
        self.file = folder / "mosquitto.conf"
        user = "user root\n" if os.name == "posix" and os.geteuid() == 0 else ""
        usual = ("autosave_on_changes true\nautosave_interval 50\nmax_queued_messages 0\n"
                 "max_inflight_messages 1000\n") if settings else ""
        self.file.write_text(
            f"{user}persistence true\npersistence_location {folder}/\n{usual}"
            f"listener {self.port} 127.0.0.1\n{listener}"
            f"{more or 'allow_anonymous true'}\n", encoding="utf-8")
        self.process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            [self.program, "-c", str(self.file)], stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL)
        until(self._answers)

    def _answers(self) -> bool:
        try:
            socket.create_connection(("127.0.0.1", self.port), 0.2).close()
        except OSError:
            return False
        return True

    def save(self) -> None:
        """Have it write its sessions to the disk now."""
        assert self.process is not None
        until(lambda: _is_saved(self))

    def end(self, number: int = signal.SIGTERM) -> None:
        assert self.process is not None
        self.process.send_signal(number)
        self.process.wait(20)


def _is_saved(broker: Broker) -> bool:
    assert broker.process is not None
    broker.process.send_signal(signal.SIGUSR1)
    time.sleep(0.05)
    return (broker.file.parent / "mosquitto.db").exists()


class Recorder:
    """``remanence record`` on a venue, as a process of its own."""

    def __init__(self, folder: Path, source: str, environment: dict[str, str] | None = None,
                 before: list[str] | None = None) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "venue.toml").write_text(HARBOUR.replace(LOGS, "") + source, encoding="utf-8")
        self.environment = {**os.environ, **(environment or {})}
        self.before = before or []
        self.said = folder / "said.txt"
        self.process: subprocess.Popen[bytes] | None = None
        self.from_here = 0

    def start(self) -> Recorder:
        self.from_here = len(self.text())
        with self.said.open("ab") as said:
            self.process = subprocess.Popen(
                [*self.before, sys.executable, "-m", "remanence", "record", str(self.folder)],
                cwd=ROOT, stdout=said, stderr=said, env=self.environment)
        return self

    def text(self) -> str:
        return self.said.read_text(encoding="utf-8") if self.said.exists() else ""

    def listens(self, times: int = 1) -> None:
        """Wait until it has said since its start that it listens."""
        until(lambda: self.text()[self.from_here:].count(": listening") >= times, 60)

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(20)

    def stop(self) -> int:
        """SIGTERM; the exit status."""
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(40)

    def rows(self) -> list[dict]:
        """Every row that is recorded, of all sources; once it has ended each line is whole."""
        rows = []
        for path in sorted(self.folder.glob("recorded/*/*.jsonl")):
            *lines, torn = path.read_bytes().split(b"\n")
            rows += [json.loads(line) for line in lines]
            assert not torn or (self.process is not None and self.process.poll() is None)
        return rows

    def payloads(self) -> list[str]:
        return [row["payload"] for row in self.rows() if "payload" in row]

    def count(self) -> int:
        """Messages recorded so far."""
        return sum(path.read_bytes().count(b'"payload":')
                   for path in self.folder.glob("recorded/*/*.jsonl"))


class Publisher:
    """``publisher.py`` as a process of its own."""

    def __init__(self, broker: Broker, kind: str, first: int, count: int, rate: float,
                 repeat_s: float = 0.0) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("publisher.py")), str(broker.port), kind,
             str(first), str(count), str(rate), "--repeat", str(repeat_s)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE)

    def wait(self) -> int:
        """How many messages were published and acknowledged by the broker."""
        said, wrong = self.process.communicate(timeout=150)
        assert self.process.returncode == 0, wrong.decode()
        return int(said)
