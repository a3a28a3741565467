"""Somebody is told, once: against a real mail server, a web server and a broker."""

from __future__ import annotations

import email
import email.policy
import json
import os
import signal
import subprocess
import sys
import threading
from datetime import date
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from remanence.pipelines.commands import AT_FAULT, DONE, main
from remanence.pipelines.tell import tell
from remanence.pipelines.tell.sent import GOING, open_sent
from remanence.shared.errors import RemanenceError
from tests.pipelines.record.processes import ROOT, Broker, free_port, until
from tests.pipelines.serve.house import ZONED, venue, write_report
from tests.pipelines.tell.ways import Mailbox, MailServer, WebServer, secret

MAIL = ('\n[[tell]]\nkind = "mail"\naddress = "127.0.0.1:{port}"\nsecurity = "none"\n'
        'sender = "house@example.org"\nto = ["desk@example.org", "bench@example.org"]\n')
HOOK = '\n[[tell]]\nkind = "webhook"\naddress_file = "secrets/hook"\ntoken_file = "secrets/token"\n'
MQTT = '\n[[tell]]\nkind = "mqtt"\naddress = "127.0.0.1:{port}"\ntopic = "house/week"\n'
TODAY = date(2026, 11, 23)


def told(folder: Path, **more):
    return tell(folder, today=TODAY, sleep=lambda _: None, **more)


def house(tmp_path, text: str, **more) -> Path:
    return venue(tmp_path / "harbour", text=ZONED + text.format(**more), password=False)


def test_a_mail_says_the_week_in_five_lines_and_what_not_to_use(tmp_path):
    box = Mailbox()
    with MailServer(box) as server:
        folder = house(tmp_path, MAIL, port=server.port)
        outcome = told(folder)
        assert outcome.faults == ()
        assert told(folder).lines == ("tell mail: nothing new",)
    ((to, data),) = box.came
    assert to == ("desk@example.org", "bench@example.org")
    mail = email.message_from_bytes(data, policy=email.policy.default)
    assert mail["Subject"] == "Harbour Lights: locks, Week 47 of 2026"
    lines = mail.get_body().get_content().splitlines()
    assert lines[:5] == [
        "Harbour Lights, Week 47 of 2026 (16–22\N{NO-BREAK SPACE}Nov\N{NO-BREAK SPACE}2026): "
        "Do not use 1", "Do not use: chart-drawer", "This week: none",
        "New: none. Worse: chart-drawer. Fixed: rail-a.",
        "Release tests due within a week: store-door (23\N{NO-BREAK SPACE}Nov). To order: none."]
    assert lines[6:8] == ["Do not use:", "- chart-drawer: Catch sticks, since "
                          "2\N{NO-BREAK SPACE}Nov. It sticks."]
    assert "never by a log" in lines[-1]
    (calendar,) = mail.iter_attachments()
    assert calendar.get_content_type() == "text/calendar"


def test_a_new_stop_in_a_week_already_told_is_told_alone_and_once(tmp_path):
    with WebServer() as server:
        folder = house(tmp_path, HOOK)
        secret(folder, "hook", server.url)
        secret(folder, "token", "s3cret")
        told(folder)
        held = folder / "reports" / "2026-W47" / "findings.json"
        report = json.loads(held.read_text(encoding="utf-8"))
        report["findings"].append({
            "subject": "store-door", "subject_kind": "lock", "condition": "no-release",
            "title": "Does not release", "urgency": "now", "status": "new", "since": None,
            "first_named": "2026-W47"})
        held.write_text(json.dumps(report), encoding="utf-8")
        told(folder)
        told(folder)
        first, second = (body for _, body in server.came)
        headers = server.came[0][0]
    assert headers["Authorization"] == "Bearer s3cret"
    assert headers["Idempotency-Key"] == first["id"]
    assert [stop["subject"] for stop in first["do_not_use"]] == ["chart-drawer"]
    assert (second["kind"], [stop["subject"] for stop in second["do_not_use"]]) == (
        "do-not-use", ["store-door"])


def test_a_new_week_is_told_anew_but_what_stands_is_not_called_out_again(tmp_path):
    with WebServer() as server:
        folder = house(tmp_path, HOOK + 'what = ["do-not-use"]\n')
        secret(folder, "hook", server.url)
        secret(folder, "token", "x")
        told(folder)
        write_report(folder, "2026-W48", "standing")
        report = folder / "reports" / "2026-W48" / "findings.json"
        report.write_text(report.read_text().replace('"first_named": "2026-W48"',
                                                     '"first_named": "2026-W47"'))
        assert told(folder).lines == ("tell webhook: nothing new",)
        assert len(server.came) == 1


@pytest.mark.parametrize("protocol", ["mqtt"])
def test_a_topic_gets_it_once(tmp_path, protocol):
    broker = Broker(tmp_path / "broker")
    came: list[dict] = []
    ready = threading.Event()
    listener = Client(CallbackAPIVersion.VERSION2)
    listener.on_connect = lambda client, *_: client.subscribe("house/#", 2)
    listener.on_subscribe = lambda *_: ready.set()
    listener.on_message = lambda _, __, message: came.append(json.loads(message.payload))
    listener.connect("127.0.0.1", broker.port)
    listener.loop_start()
    try:
        assert ready.wait(20)
        folder = house(tmp_path, MQTT, port=broker.port)
        told(folder)
        told(folder)
        until(lambda: came)
        assert [body["week"] for body in came] == ["2026-W47"]
    finally:
        listener.loop_stop()
        broker.end()


# Failures: retried, never twice.


def test_what_is_refused_for_now_is_tried_again(tmp_path):
    box = Mailbox("451 later", "452 later still")
    with MailServer(box) as server:
        assert told(house(tmp_path, MAIL, port=server.port)).faults == ()
    assert (box.tries, len(box.came)) == (3, 1)


def test_what_is_refused_for_good_is_told_and_tried_with_the_next_run(tmp_path):
    box = Mailbox("554 spam")
    with MailServer(box) as server:
        folder = house(tmp_path, MAIL, port=server.port)
        (fault,) = told(folder).faults
        assert "554" in fault
        assert box.tries == 1
        told(folder)
    assert len(box.came) == 1


def test_nobody_gets_it_where_one_address_is_refused(tmp_path):
    box = Mailbox(refuses="bench@example.org")
    with MailServer(box) as server:
        (fault,) = told(house(tmp_path, MAIL, port=server.port)).faults
    assert "bench@example.org" in fault
    assert box.came == []


def test_nobody_there_is_a_plain_fault_and_the_next_run_sends_it(tmp_path):
    port = free_port()
    folder = house(tmp_path, MAIL, port=port)
    (fault,) = told(folder).faults
    assert "no mail server answers" in fault
    box = Mailbox()
    with MailServer(box) as server:
        text = (folder / "venue.toml").read_text().replace(str(port), str(server.port))
        (folder / "venue.toml").write_text(text)
        told(folder)
    assert len(box.came) == 1


def test_a_server_that_breaks_off_after_it_had_all_is_not_sent_it_again(tmp_path):
    box = Mailbox(closes_after_data=True)
    with MailServer(box) as server:
        folder = house(tmp_path, MAIL, port=server.port)
        (fault,) = told(folder).faults
        assert "may have gone out" in fault
        again = told(folder)
        assert "is not known" in again.lines[0]
        assert again.lines[-1] == "tell mail: nothing new"
    assert len(box.came) == 1


@pytest.mark.parametrize(("answers", "taken", "tries"), [
    ((503, 429), True, 3), ((404,), False, 1), ((302,), False, 1), ((500,) * 4, False, 4)])
def test_a_webhook_is_tried_again_only_where_that_may_help(tmp_path, answers, taken, tries):
    with WebServer(*answers) as server:
        folder = house(tmp_path, HOOK)
        secret(folder, "hook", server.url)
        secret(folder, "token", "x")
        outcome = told(folder)
        assert (outcome.faults == ()) is taken
        assert len(server.came) == tries
        assert len({headers["Idempotency-Key"] for headers, _ in server.came}) == 1


def test_a_webhook_without_an_answer_is_not_posted_again(tmp_path):
    with WebServer(0) as server:
        folder = house(tmp_path, HOOK)
        secret(folder, "hook", server.url)
        secret(folder, "token", "x")
        (fault,) = told(folder).faults
        told(folder)
        assert len(server.came) == 1
    assert "may have gone out" in fault


def test_a_process_killed_while_it_sends_sends_nothing_twice(tmp_path):
    with WebServer() as server:
        folder = house(tmp_path, HOOK)
        secret(folder, "hook", server.url)
        secret(folder, "token", "x")
        body = ("import remanence.pipelines.tell.webhook as w, os, signal, sys\n"
                "real = w.post\n"
                "def post(*given):\n    real(*given)\n    os.kill(os.getpid(), signal.SIGKILL)\n"
                "w.post = post\n"
                "from remanence.pipelines.commands import main\nmain(['tell', sys.argv[1]])\n")
        done = subprocess.run([sys.executable, "-c", body, str(folder)], cwd=ROOT, check=False,
                              env=os.environ)
        assert done.returncode == -signal.SIGKILL
        assert len(server.came) == 1
        assert "is not known" in told(folder).lines[0]
        assert len(server.came) == 1


def test_two_runs_at_once_send_it_once(tmp_path):
    folder = house(tmp_path, HOOK)
    with open_sent(folder / "store", "webhook"), open_sent(folder / "store", "other"):
        (fault,) = told(folder).faults
    assert "another run" in fault


def test_a_line_cut_short_is_no_line(tmp_path):
    with open_sent(tmp_path / "store", "mail") as sent:
        sent.note(["a"], "sent")
    path = tmp_path / "told" / "mail.jsonl"
    path.write_bytes(path.read_bytes() + b'{"keys": ["b"], "sta')
    with open_sent(tmp_path / "store", "mail") as sent:
        assert sent.told == {"a"}
        sent.note(["c"], GOING)
    with open_sent(tmp_path / "store", "mail") as sent:
        assert sent.told == {"a", "c"}


# Secrets, the dry run, the venue file.


def test_a_dry_run_prints_it_and_writes_and_sends_nothing(tmp_path, capsys):
    with WebServer() as server:
        folder = house(tmp_path, HOOK)
        before = sorted(folder.rglob("*"))
        assert main(["tell", str(folder), "--dry-run"]) == DONE
        assert sorted(folder.rglob("*")) == before
        assert server.came == []
    said = capsys.readouterr().out
    assert "would send" in said
    assert "Do not use: chart-drawer" in said


def test_secrets_are_used_and_never_told(tmp_path, capsys):
    box = Mailbox()
    with MailServer(box, password="open sesame") as server:
        folder = house(tmp_path, MAIL + 'username = "house"\npassword_file = "secrets/mail"\n'
                       + HOOK, port=server.port)
        secret(folder, "mail", "wrong-password")
        secret(folder, "hook", f"http://127.0.0.1:{free_port()}/secret-part")
        secret(folder, "token", "s3cret")
        outcome = told(folder)
        assert len(outcome.faults) == 2
        assert any("refuses user house (535)" in fault for fault in outcome.faults)
        assert main(["tell", str(folder), "--dry-run"]) == DONE
        secret(folder, "mail", "open sesame")
        told(folder)
    assert len(box.came) == 1
    kept = "".join(path.read_text() for path in (folder / "told").iterdir())
    everything = "".join((*outcome.faults, *outcome.lines, *capsys.readouterr(), kept))
    for word in ("wrong-password", "open sesame", "s3cret", "secret-part"):
        assert word not in everything


def test_a_missing_secret_is_told_by_its_file(tmp_path):
    (fault,) = told(house(tmp_path, HOOK)).faults
    assert "secrets/hook does not exist" in fault


def test_without_a_block_or_a_report_it_says_what_to_do(tmp_path):
    with pytest.raises(RemanenceError, match=r"\[\[tell\]\]"):
        told(house(tmp_path, ""))
    bare = tmp_path / "bare"
    bare.mkdir()
    (bare / "venue.toml").write_text(ZONED + MQTT.format(port=1))
    with pytest.raises(RemanenceError, match="remanence weekly"):
        told(bare)


def test_the_weekly_run_tells_and_exits_with_1_where_it_cannot(tmp_path, capsys):
    from tests.pipelines.record.processes import LOGS

    with WebServer() as server:
        folder = tmp_path / "weekly"
        folder.mkdir()
        text = ZONED.replace(
            '[[source]]\nkind = "file"\naddress = "show.txt"\n', LOGS) + HOOK
        (folder / "venue.toml").write_text(text)
        (folder / "logs").mkdir()
        (folder / "logs" / "a.csv").write_text(
            "time,channel,quantity,value\n2026-11-02T18:03:11.482Z,north/q1,command,1\n"
            "2026-11-02T18:03:11.547Z,north/i1,contact,0\n"
            "2026-11-02T18:03:11.900Z,north/q1,command,0\n")
        secret(folder, "hook", server.url)
        secret(folder, "token", "x")
        assert main(["weekly", str(folder), "--dry-run"]) == DONE
        assert "would send" in capsys.readouterr().out
        assert server.came == []
        assert main(["weekly", str(folder)]) == DONE
        assert main(["weekly", str(folder)]) == DONE
        assert [body["week"] for _, body in server.came] == ["2026-W45"]
        (folder / "secrets" / "hook").unlink()
        write_report(folder, "2026-W52")
        assert main(["weekly", str(folder)]) == AT_FAULT
        assert "tell webhook" in capsys.readouterr().err
