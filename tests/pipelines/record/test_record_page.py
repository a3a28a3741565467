"""The documentation of ``record``, tried step by step; its venue-file blocks."""

from __future__ import annotations

import csv
import re
import shlex
import subprocess
import sys
from pathlib import Path

from remanence.pipelines.commands import DONE, main
from remanence.pipelines.readers import FORMATS
from remanence.shared.venue_file import parse_venue
from tests.pipelines.record.processes import Broker, Recorder, until

ROOT = Path(__file__).parents[3]
PAGE = (ROOT / "docs" / "record.md").read_text(encoding="utf-8")


def blocks(kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", PAGE, re.DOTALL)


def test_the_first_fifteen_minutes(tmp_path, capsys):
    (settings,) = blocks("text mosquitto.conf")
    lines = [line for line in settings.splitlines() if not line.startswith("listener")]
    assert len(lines) == len(settings.splitlines()) - 1
    broker = Broker(tmp_path / "broker", more="\n".join(lines), settings=False)
    venue = next(block for block in blocks("toml") if "[venue]" in block)
    recorder = Recorder(tmp_path / "mill", "")
    (recorder.folder / "venue.toml").write_text(
        venue.replace("127.0.0.1:1883", f"127.0.0.1:{broker.port}"), encoding="utf-8")
    try:
        assert main(["check", str(recorder.folder)]) == DONE
        assert "source mqtt: mqtt 127.0.0.1" in capsys.readouterr().out
        recorder.start().listens()
        (sent,) = blocks("sh")
        for line in sent.splitlines():
            words = shlex.split(line)
            topic, payload = words[words.index("-t") + 1], words[words.index("-m") + 1]
            subprocess.run(
                [sys.executable, "-c", "import sys, paho.mqtt.publish as p; "
                 "p.single(sys.argv[2], sys.argv[3], qos=1, port=int(sys.argv[1]))",
                 str(broker.port), topic, payload], check=True)
        until(lambda: recorder.count() == 4)
        assert recorder.stop() == 0
        assert main(["ingest", str(recorder.folder)]) == DONE
        first = tmp_path / "first.csv"
        assert main(["export", str(recorder.folder), "actuations", str(first)]) == DONE
        (row,) = csv.DictReader(first.open(encoding="utf-8"))
        assert (row["lock"], row["outcome"], float(row["latency_ms"])) == (
            "flour-bin", "released", 65.0)
    finally:
        recorder.process.kill()
        broker.end()


def test_every_block_of_the_page_is_free_of_faults():
    whole, *others = blocks("toml")
    assert len(others) == 3
    for block in others:
        start, end = whole.index("[[source]]"), whole.index("[[supply]]")
        assert parse_venue(whole[:start] + block + whole[end:], formats=FORMATS).sources
