"""Each kind of source, from the wire to the store."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from remanence.pipelines.commands import AT_FAULT, DONE, main
from remanence.pipelines.record.growing_file import on_network_share
from remanence.pipelines.record.syslog import split_header
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.store import Store
from tests.pipelines.record.processes import (
    Broker,
    Publisher,
    Recorder,
    free_port,
    mosquitto,
    until,
)

pty = pytest.importorskip("pty")


@pytest.fixture
def recorders():
    """Recorders that are killed at the end of the test."""
    made: list[Recorder] = []
    yield made
    for recorder in made:
        if recorder.process is not None:
            recorder.process.kill()


def signals(folder: Path) -> pl.DataFrame:
    assert main(["ingest", str(folder)]) == DONE
    venue, path = load_venue(folder)
    return Store.open(venue, path).scan_signals().collect()


def publish(broker: Broker, topic: str, payload: str, *more: str) -> None:
    code = ("import sys, paho.mqtt.publish as p; a = sys.argv; p.single(a[2], a[3], qos=1, "
            "retain='retain' in a, port=int(a[1]), auth={'username': 'show', 'password': 'show'})")
    subprocess.run([sys.executable, "-c", code, str(broker.port), topic, payload, *more],
                   check=True)


def test_a_brokers_messages_reach_the_store(tmp_path, recorders, capsys):
    broker = Broker(tmp_path / "broker")
    try:
        publish(broker, "north/i2", "1", "retain")
        recorder = Recorder(tmp_path / "venue", f"""
[[source]]
kind = "mqtt"
address = "127.0.0.1:{broker.port}"
topics = ["north/#", "rail-a"]
""")
        recorders.append(recorder.start())
        recorder.listens()
        before = datetime.now(UTC)
        publish(broker, "north/q1", "1")
        publish(broker, "north/i1", '{"time": "2026-11-02T18:03:11.547Z", "value": 0}')
        publish(broker, "rail-a", "volts?")
        until(lambda: recorder.count() == 4)
        until(lambda: "last rail-a" in status(recorder, capsys)[1])
        assert status(recorder, capsys)[0] == DONE
        assert recorder.stop() == 0
        code, line = status(recorder, capsys)
        assert code == AT_FAULT
        assert line.startswith("mqtt: stopped since ")
        retained, *_ = rows = [row for row in recorder.rows() if "payload" in row]
        assert retained["retained"] is True
        assert not any(row.get("retained") for row in rows[1:])
        taken = signals(recorder.folder)
        by_channel = {row["channel"]: row for row in taken.iter_rows(named=True)}
        # A retained message without a time of its own is no record, and "volts?" is a reject.
        assert set(by_channel) == {"north/q1", "north/i1"}
        assert by_channel["north/i1"]["time"] == datetime(2026, 11, 2, 18, 3, 11, 547000, UTC)
        assert before < by_channel["north/q1"]["time"] < datetime.now(UTC)
        assert by_channel["north/q1"]["quantity"] == "command"
        assert [row.get("time_from") for row in rows] == ["receipt", "receipt", None, "receipt"]
    finally:
        broker.end()


def status(recorder: Recorder, capsys) -> tuple[int, str]:
    capsys.readouterr()
    code = main(["record", str(recorder.folder), "--status"])
    return code, capsys.readouterr().out


def test_a_gap_says_from_when_to_when_and_whether_the_broker_held(tmp_path, recorders):
    broker = Broker(tmp_path / "broker")
    try:
        recorder = Recorder(tmp_path / "venue", f"""
[[source]]
kind = "mqtt"
address = "127.0.0.1:{broker.port}"
topics = ["north/#"]
""")
        recorders.append(recorder.start())
        recorder.listens()
        assert not [row for row in recorder.rows() if "gap" in row]
        assert recorder.stop() == 0
        stopped = datetime.now(UTC)
        publish(broker, "north/q1", "1")
        recorder.start().listens()
        until(lambda: recorder.count() == 1)
        # The message may come before the broker answers the subscription, and the gap after it.
        (gap,) = until(lambda: [row["gap"] for row in recorder.rows() if "gap" in row])
        start, end = (datetime.fromisoformat(gap[name]) for name in ("from", "to"))
        assert stopped - timedelta(seconds=3) < start < stopped < end
        assert gap["held"] is True
        # What the broker held back came at a time that nobody knows.
        assert [row["late"] for row in recorder.rows() if "payload" in row] == [True]
        broker.end()
        until(lambda: "connection to the broker was lost" in recorder.text())
        broker.start()
        until(lambda: sum("gap" in row for row in recorder.rows()) == 2)
        assert recorder.stop() == 0
    finally:
        broker.end()


def test_password_and_tls(tmp_path, recorders):
    made = tmp_path / "keys"
    made.mkdir()
    openssl = subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj",
         "/CN=localhost", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout",
         str(made / "key.pem"), "-out", str(made / "cert.pem")], capture_output=True, check=False)
    assert openssl.returncode == 0, openssl.stderr
    (made / "key.pem").chmod(0o644)
    secret = "very-secret-word"
    passwd = Path(mosquitto()).with_name("mosquitto_passwd")
    tool = passwd if passwd.exists() else Path("/usr/bin/mosquitto_passwd")
    subprocess.run([str(tool), "-b", "-c", str(made / "users"), "recorder", secret], check=True,
                   capture_output=True)
    (made / "users").chmod(0o644)
    broker = Broker(tmp_path / "broker", listener=(
        f"cafile {made}/cert.pem\ncertfile {made}/cert.pem\nkeyfile {made}/key.pem\n"),
        more=f"allow_anonymous false\npassword_file {made}/users")
    try:
        block = f"""
[[source]]
kind = "mqtt"
address = "127.0.0.1:{broker.port}"
topics = ["north/#"]
tls = true
ca_file = "{made}/cert.pem"
username = "recorder"
"""
        from_file = Recorder(tmp_path / "file", block + 'password_file = "secret"\n')
        (from_file.folder / "secret").write_text(f"{secret}\n", encoding="utf-8")
        from_variable = Recorder(tmp_path / "variable",
                                 block + 'password_variable = "BROKER_WORD"\n',
                                 environment={"BROKER_WORD": secret})
        for recorder in (from_file, from_variable):
            recorders.append(recorder.start())
            recorder.listens()
            assert recorder.stop() == 0
        wrong = Recorder(tmp_path / "wrong", block + 'password_file = "secret"\n')
        (wrong.folder / "secret").write_text("another", encoding="utf-8")
        recorders.append(wrong.start())
        until(lambda: "refuses the connection" in wrong.text())
        assert wrong.stop() == 0
        for recorder in (from_file, from_variable, wrong):
            everything = b"".join(p.read_bytes() for p in recorder.folder.rglob("*")
                                  if p.is_file() and p.name != "secret")
            assert secret.encode() not in everything
    finally:
        broker.end()


def test_a_serial_port_line_by_line(tmp_path, recorders):
    master, slave = pty.openpty()
    port = tmp_path / "port"
    port.symlink_to(os.ttyname(slave))
    recorder = Recorder(tmp_path / "venue", f"""
[[source]]
kind = "serial"
address = "{port}"
time_format = "boot-ms"
controller = "north"
pattern = '^\\[ *(?P<time>\\d+)\\] (?P<channel>\\w+)=(?P<value>\\w+)$'
""")
    recorders.append(recorder.start())
    recorder.listens()
    os.write(master, b"82] q1=0\r\n[    1000] q1=1\r\n[    10")
    time.sleep(0.2)
    os.write(master, b"65] i1=0\r\nnoise\r\n")
    until(lambda: recorder.count() == 3)
    # The port goes away and comes back, under its stable name.
    port.unlink()
    os.close(master)
    os.close(slave)
    until(lambda: "cannot be read" in recorder.text())
    master, slave = pty.openpty()
    port.symlink_to(os.ttyname(slave))
    recorder.listens(2)
    os.write(master, b"lf a line\n[    9000] q1=0\n")
    until(lambda: recorder.count() == 4)
    assert recorder.stop() == 0
    os.close(master)
    os.close(slave)
    assert sum("gap" in row for row in recorder.rows()) == 1
    taken = signals(recorder.folder).sort("time")
    assert taken.select("channel", "value").rows() == [
        ("north/q1", 1.0), ("north/i1", 0.0), ("north/q1", 0.0)]
    first, second, _ = taken["time"].to_list()
    assert second - first == timedelta(milliseconds=65)  # the controller's own running time
    received = datetime.fromisoformat(
        next(row["received"] for row in recorder.rows() if "1000" in row.get("payload", "")))
    assert abs(first - received) < timedelta(seconds=1)


@pytest.mark.parametrize("polling", ["false", "true"])
def test_files_that_grow_are_read_once(polling, tmp_path, recorders):
    recorder = Recorder(tmp_path / "venue", f"""
[[source]]
kind = "file"
address = "show/*.txt"
polling = {polling}
""")
    shown = recorder.folder / "show" / "a.txt"
    shown.parent.mkdir()

    def write(number: int, end: str = "\n") -> None:
        with shown.open("a", encoding="utf-8") as file:
            file.write(f'{{"time": "2026-11-02T18:03:{number:02}Z", "channel": "north/q1", '
                       f'"value": {number % 2}}}{end}')

    for number in range(5):
        write(number)
    recorders.append(recorder.start())
    recorder.listens()
    for number in range(5, 10):
        write(number)
        time.sleep(0.05)
    write(10, end="")
    until(lambda: recorder.count() == 10)
    recorder.kill()
    (recorder.folder / "recorded" / "file" / "positions.json").unlink(missing_ok=True)
    with shown.open("a", encoding="utf-8") as file:
        file.write("\n")
    write(11)
    recorder.start().listens()
    until(lambda: recorder.count() == 12)
    shown.write_text("", encoding="utf-8")  # begun anew under the same name
    write(12)
    until(lambda: recorder.count() == 13)
    assert recorder.stop() == 0
    seconds = signals(recorder.folder).sort("time")["time"].dt.second().to_list()
    assert seconds == list(range(13))


def test_syslog_on_loopback(tmp_path, recorders):
    port = free_port(socket.SOCK_DGRAM)
    recorder = Recorder(tmp_path / "venue", f"""
[[source]]
kind = "syslog"
address = "127.0.0.1:{port}"
""")
    recorders.append(recorder.start())
    recorder.listens()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for text in (
            '<14>1 2026-11-02T18:03:11Z board show - - - {"channel": "north/q1", "value": 1}',
            '<14>Nov  2 18:03:11 board show[7]: {"channel": "north/i1", "value": 0}',
        ):
            sender.sendto(text.encode(), ("127.0.0.1", port))
    until(lambda: recorder.count() == 2)
    assert recorder.stop() == 0
    assert set(signals(recorder.folder)["channel"]) == {"north/q1", "north/i1"}


@pytest.mark.parametrize(("datagram", "says"), [
    # RFC 5424, section 6.5, examples 1 and 3; RFC 3164, section 5.4, example 1.
    (b"<34>1 2003-10-11T22:14:15.003Z mymachine.example.com su - ID47 - "
     b"\xef\xbb\xbf'su root' failed for lonvick on /dev/pts/8",
     b"'su root' failed for lonvick on /dev/pts/8"),
    (b'<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47 '
     b'[exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"] '
     b"\xef\xbb\xbfAn application event log entry...", b"An application event log entry..."),
    (b"<34>Oct 11 22:14:15 mymachine su: 'su root' failed for lonvick on /dev/pts/8",
     b"'su root' failed for lonvick on /dev/pts/8"),
    (b"no header at all", b"no header at all"),
])
def test_a_syslog_header_is_cut_off(datagram, says):
    assert split_header(datagram)[1] == says


def test_a_full_disk_stops_acknowledging_and_says_so(tmp_path, recorders):
    """The recorder may write files of 8 KiB at most: its disk is full soon, and then has room."""
    prlimit = "prlimit"
    if not any((Path(p) / prlimit).exists() for p in os.environ["PATH"].split(":")):
        pytest.skip("prlimit is not installed")
    broker = Broker(tmp_path / "broker")
    try:
        recorder = Recorder(tmp_path / "venue", f"""
[[source]]
kind = "mqtt"
address = "127.0.0.1:{broker.port}"
topics = ["north/#"]
""", before=[prlimit, "--fsize=8192:unlimited", "--"])
        recorders.append(recorder.start())
        recorder.listens()
        assert Publisher(broker, "plain", 0, 200, 2000).wait() == 200
        until(lambda: "cannot write" in recorder.text())
        assert "nothing is acknowledged until there is room" in recorder.text()
        assert recorder.count() < 200
        assert recorder.process is not None
        subprocess.run([prlimit, "--pid", str(recorder.process.pid), "--fsize=unlimited"],
                       check=True)
        until(lambda: recorder.count() == 200, 40)
        until(lambda: "can write again" in recorder.text())
        assert recorder.stop() == 0
        assert sorted(recorder.payloads(), key=int) == [str(n) for n in range(200)]
    finally:
        broker.end()


def test_one_recorder_a_venue(tmp_path, recorders):
    block = f'\n[[source]]\nkind = "syslog"\naddress = "127.0.0.1:{free_port(socket.SOCK_DGRAM)}"\n'
    recorder = Recorder(tmp_path / "venue", block)
    recorders.append(recorder.start())
    recorder.listens()
    second = Recorder(tmp_path / "venue", block)
    recorders.append(second.start())
    assert second.process.wait(30) == AT_FAULT
    assert "another remanence record is running" in second.text()


def test_a_share_is_told_from_a_disk():
    assert not on_network_share(Path(__file__).parent)


def test_a_missing_package_is_named(tmp_path, capsys, monkeypatch):
    Recorder(tmp_path, '\n[[source]]\nkind = "mqtt"\naddress = "127.0.0.1"\ntopics = ["a"]\n')
    monkeypatch.setitem(sys.modules, "remanence.pipelines.record.mqtt", None)
    assert main(["record", str(tmp_path)]) == AT_FAULT
    said = capsys.readouterr().err
    assert "needs the package paho-mqtt" in said
    assert "remanence-locks[live]" in said


def test_nothing_heavy_is_loaded_to_record(tmp_path):
    code = ("import sys, remanence.pipelines.record, remanence.pipelines.record.mqtt; "
            "print([m for m in ('polars', 'numpy', 'pandas', 'pyarrow') if m in sys.modules])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
