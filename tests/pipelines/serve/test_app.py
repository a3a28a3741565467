"""The server without a browser: who may write, what is written, what is refused."""

from __future__ import annotations

import re
import stat
from datetime import date

import pytest
from starlette.testclient import TestClient

from remanence.pipelines.commands import AT_FAULT, DONE, main
from remanence.pipelines.serve.app import Settings, make_app
from remanence.pipelines.serve.password import (
    DEFAULT_FILE,
    read_password,
    write_password,
)
from remanence.pipelines.serve.server import is_loopback, serve
from remanence.pipelines.sheets.past_reports import read_report
from remanence.shared.errors import RemanenceError
from tests.pipelines.record.processes import free_port
from tests.pipelines.serve.house import NASTY, PASSWORD, venue


@pytest.fixture
def folder(tmp_path):
    return venue(tmp_path / "harbour")


def client(folder, **settings) -> TestClient:
    secret = read_password(folder / DEFAULT_FILE)
    app = make_app(folder / "venue.toml", Settings(password=secret, **settings))
    return TestClient(app, base_url="http://127.0.0.1")


def token(page) -> str:
    return re.search(r'name="csrf_token"[^>]*value="([^"]+)"', page.text)[1]


def sign_in(browser: TestClient, password: str = PASSWORD, after: str = "/done"):
    form = browser.get("/sign-in", params={"after": after})
    return browser.post("/sign-in", follow_redirects=False, data={
        "csrf_token": token(form), "password": password, "after": after})


def entry(browser: TestClient, path: str = "/release-test", **more):
    data = {"csrf_token": token(browser.get(path)), "lock": "store-door", "by": "Ana",
            "day": "2026-11-03", "note": "", **more}
    return browser.post(path, data=data, follow_redirects=False)


def lines(folder) -> list[str]:
    log = folder / "service.csv"
    return log.read_text(encoding="utf-8").splitlines() if log.exists() else []


# Reading.


def test_all_weeks_stand_on_the_front_page_the_newest_first(folder):
    with client(folder) as browser:
        page = browser.get("/").text
        assert re.findall(r'data-test="week"><a href="([^"]+)"', page) == [
            "/reports/2026-W47/index.html", "/reports/2026-W46/index.html"]
        worse, fixed = page.partition("Worse than last week")[2].split("Fixed since last week")
        assert "chart-drawer" in worse
        assert "rail-a" in fixed.partition("All weeks")[0]
        assert browser.get("/reports/2026-W46/index.html").text == "<title>2026-W46</title>"
        assert browser.get("/done", follow_redirects=False).status_code == 303, "signed out"


def test_nothing_of_a_log_or_a_person_is_markup(folder):
    with client(folder) as browser:
        page = browser.get("/").text
        assert "&lt;script&gt;alert(1)" in page
        assert NASTY not in page
        sign_in(browser)
        kept = entry(browser, result="passed", note=NASTY, by=NASTY[:60])
        assert kept.status_code == 303
        shown = browser.get("/release-test").text
        assert "<script>alert" not in shown
        assert "onerror=alert(2)&gt;" in shown


@pytest.mark.parametrize("path", ["/", "/morning", "/sign-in", "/nowhere", "/assets/style.css",
                                  "/reports/2026-W47/index.html"])
def test_every_answer_says_what_its_page_may_do(folder, path):
    with client(folder) as browser:
        answer = browser.get(path)
        policy = answer.headers["content-security-policy"]
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("path", [
    "/venue.toml", "/secrets/serve.json", "/reports/../secrets/serve.json",
    "/reports/%2e%2e/venue.toml", "/reports/..%2fsecrets%2fserve.json", "/assets/../page.py",
    "/assets/templates", "/store/manifest.json"])
def test_no_other_file_of_the_venue_is_handed_out(folder, path):
    with client(folder) as browser:
        assert browser.get(path).status_code in (404, 400)


def test_another_name_for_this_computer_is_refused_on_loopback(folder):
    with client(folder) as browser:
        assert browser.get("/", headers={"host": "evil.example"}).status_code == 400
    with client(folder, loopback=False) as browser:
        assert browser.get("/", headers={"host": "mill.local"}).status_code == 200


def test_the_words_come_in_both_languages(folder):
    with client(folder, language="de") as browser:
        page = browser.get("/").text
        assert "Heute früh" in page
        assert "Catch sticks" not in page, "the report is in English, the server is not"


def test_a_venue_file_that_is_at_fault_is_told_in_plain_words(folder):
    with client(folder) as browser:
        (folder / "venue.toml").write_text("[venue]\n", encoding="utf-8")
        answer = browser.get("/")
        assert answer.status_code == 503
        assert "time_zone" in answer.text


# Writing.


def test_a_release_test_is_written_as_the_command_writes_it(folder, tmp_path, capsys):
    with client(folder) as browser:
        assert sign_in(browser).headers["location"] == "/done"
        done = entry(browser, result="failed", note="stuck at\r\nthe top")
        assert done.headers["location"] == "/release-test"
        assert "store-door,release-tested,,stuck at the top,failed,Ana" in browser.get(
            "/release-test").text
    by_hand = venue(tmp_path / "by-hand")
    assert main(["service", str(by_hand), "store-door", "release-tested", "--failed", "--by", "Ana",
                 "--note", "stuck at\nthe top", "--date", "2026-11-03"]) == DONE
    assert lines(folder) == lines(by_hand)


def test_a_job_is_marked_done_with_its_part(folder):
    with client(folder) as browser:
        sign_in(browser)
        entry(browser, "/done", lock="chart-drawer", action="replaced", part="latch-s", note="=1+1")
    assert lines(folder)[-1] == "2026-11-03,chart-drawer,replaced,latch-s,'=1+1,,Ana"


@pytest.mark.parametrize(("more", "says"), [
    ({}, "Say whether it let go"),
    ({"result": "passed", "by": ""}, "Fill this in"),
    ({"result": "passed", "lock": "../etc"}, "valid choice"),
    ({"result": "perhaps"}, "valid choice"),
    ({"result": "passed", "day": "yesterday"}, "valid date"),
    ({"result": "passed", "day": "2199-01-01"}, "which is to come"),
    ({"result": "passed", "note": "x" * 301}, "300"),
])
def test_what_is_missing_or_wrong_is_said_and_nothing_is_written(folder, more, says):
    with client(folder) as browser:
        sign_in(browser)
        answer = entry(browser, **more)
        assert answer.status_code in (400, 409)
        assert says in answer.text
    assert lines(folder) == []


def test_the_same_line_is_not_written_twice(folder):
    with client(folder) as browser:
        sign_in(browser)
        entry(browser, result="passed")
        assert entry(browser, result="passed").status_code == 409
    assert len(lines(folder)) == 2


def test_nobody_writes_without_the_password(folder):
    with client(folder) as browser:
        for path in ("/done", "/release-test"):
            answer = browser.post(path, data={"lock": "store-door"}, follow_redirects=False)
            assert answer.headers["location"].startswith("/sign-in")
        assert sign_in(browser, "wrong password").status_code == 401
        assert browser.get("/done", follow_redirects=False).status_code == 303
    assert lines(folder) == []


def test_a_form_without_this_sessions_token_is_refused(folder):
    with client(folder) as browser, client(folder) as other:
        sign_in(browser)
        sign_in(other)
        stolen = token(other.get("/release-test"))
        data = {"lock": "store-door", "result": "passed", "by": "Eve", "day": "2026-11-03"}
        for more in ({}, {"csrf_token": "guess"}, {"csrf_token": stolen}):
            answer = browser.post("/release-test", data={**data, **more})
            assert answer.status_code == 400
            assert "Send it once more" in answer.text
    assert lines(folder) == []


def test_a_session_is_not_forged_and_not_taken_by_scripts_or_other_sites(folder):
    with client(folder) as browser:
        cookie = sign_in(browser).headers["set-cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=strict" in cookie
        browser.cookies.clear()
        browser.cookies.set("remanence", "eyJzaWduZWRfaW4iOiB0cnVlfQ==.x.y")
        assert browser.get("/done", follow_redirects=False).status_code == 303
    with client(folder, secure=True) as browser:
        assert "secure" in browser.get("/sign-in").headers["set-cookie"].lower()


def test_a_new_password_ends_all_sessions(folder):
    with client(folder) as browser:
        sign_in(browser)
        cookie = browser.cookies["remanence"]
    write_password(folder / DEFAULT_FILE, "another password")
    with client(folder) as browser:
        browser.cookies.set("remanence", cookie)
        assert browser.get("/done", follow_redirects=False).status_code == 303


def test_guessing_is_slowed_down(folder):
    with client(folder) as browser:
        tries = [sign_in(browser, f"guess number {n}").status_code for n in range(6)]
        assert tries == [401] * 5 + [429]
        assert sign_in(browser).status_code == 429, "the right one has to wait as well"


@pytest.mark.parametrize("after", ["https://evil.example/", "//evil.example", "/\\evil.example",
                                   "/done\\@evil.example"])
def test_signing_in_leads_to_no_other_site(folder, after):
    with client(folder) as browser:
        assert sign_in(browser, after=after).headers["location"] == "/done"


def test_a_form_too_large_is_refused_before_it_is_read(folder):
    with client(folder) as browser:
        sign_in(browser)
        assert entry(browser, result="passed", note="x" * 20_000).status_code == 413


def test_without_a_password_nothing_can_be_entered(tmp_path):
    with client(venue(tmp_path / "open", password=False)) as browser:
        for path in ("/done", "/release-test", "/sign-in"):
            answer = browser.get(path)
            assert answer.status_code == 403
            assert "--set-password" in answer.text


# The password's file and the command.


def test_the_password_is_kept_hashed_and_for_its_owner_alone(folder, capsys):
    path = folder / DEFAULT_FILE
    assert PASSWORD not in path.read_text(encoding="utf-8")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    kept = read_password(path)
    assert kept.is_right(PASSWORD)
    assert not kept.is_right(PASSWORD + " ")
    path.chmod(0o644)
    assert main(["serve", str(folder)]) == AT_FAULT
    assert "chmod 600" in capsys.readouterr().err


@pytest.mark.parametrize("text", ["", "{}", '{"salt": 1}', "password"])
def test_another_file_is_not_taken_for_a_password(tmp_path, text):
    path = tmp_path / "serve.json"
    path.write_text(text, encoding="utf-8")
    path.chmod(0o600)
    with pytest.raises(RemanenceError, match="--set-password"):
        read_password(path)


def test_a_password_is_set_from_standard_input(folder, monkeypatch, capsys):
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO("a longer password\n"))
    assert main(["serve", str(folder), "--set-password"]) == DONE
    assert read_password(folder / DEFAULT_FILE).is_right("a longer password")
    monkeypatch.setattr("sys.stdin", io.StringIO("short\n"))
    assert main(["serve", str(folder), "--set-password"]) == AT_FAULT
    assert "longer password" not in "".join(capsys.readouterr())


def test_it_listens_on_loopback_unless_told_otherwise():
    from remanence.pipelines.commands import build_parser

    assert is_loopback(build_parser().parse_args(["serve", "."]).host)
    assert [is_loopback(host) for host in ("::1", "localhost", "0.0.0.0", "192.168.0.7")] == [
        True, True, False, False]


def test_half_a_certificate_is_refused(folder, tmp_path):
    with pytest.raises(RemanenceError, match="go together"):
        serve(folder, port=free_port(), certificate=tmp_path / "c.pem")


def test_a_report_is_read_as_report_writes_it(tmp_path):
    import json
    from datetime import UTC, datetime

    from remanence.analytics.health.gather import health
    from remanence.dashboards.finding_words import FindingText
    from remanence.dashboards.page import language
    from remanence.pipelines.sheets.report_sheet import findings_json
    from tests.dashboards import small_venue

    history, findings = small_venue.history(), small_venue.findings()
    page = health(history, findings)
    words = FindingText(language("en"), history.venue)
    home = tmp_path / "2026-W47"
    home.mkdir()
    (home / "findings.json").write_text(json.dumps(
        findings_json(page, findings, datetime(2026, 11, 23, tzinfo=UTC), words)))
    report = read_report(home)
    lock = next(lock for lock in page.locks if lock.lock.id == "bell-case")
    usual = report.usual["bell-case"]
    assert usual.latency_from == "catch"
    assert [usual.median_ms, usual.p95_ms, usual.resolution_ms] == pytest.approx(
        [lock.before.value, lock.band_high_ms, lock.resolution_ms], abs=1e-3)
    assert [told.subject for told in report.standing] == [found.subject for found in findings]
    assert all(told.since is None or isinstance(told.since, date) for told in report.findings)
