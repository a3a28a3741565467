"""The documentation of ``serve``, tried step by step."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

from remanence.pipelines.commands import DONE, main
from remanence.pipelines.serve.password import DEFAULT_FILE
from remanence.shared.venue_file import parse_venue
from tests.pipelines.record.processes import ROOT
from tests.pipelines.serve.house import ZONED, Server, venue

PAGE = (ROOT / "docs" / "serve.md").read_text(encoding="utf-8")


def blocks(kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", PAGE, re.DOTALL)


def run(folder: Path, line: str, **more) -> subprocess.CompletedProcess[str]:
    words = shlex.split(line.replace("VENUE", str(folder)).replace("LOCK", "store-door"))
    assert words.pop(0) == "remanence"
    return subprocess.run([sys.executable, "-m", "remanence", *words], cwd=ROOT, check=True,
                          capture_output=True, text=True, timeout=120, **more)


def test_the_steps_of_the_page_do_what_it_says(tmp_path):
    (tells,) = blocks("toml")
    folder = venue(tmp_path / "harbour", text=ZONED + tells, password=False)
    (folder / "secrets").mkdir()
    for name in ("mail", "hook"):
        (folder / "secrets" / name).write_text("https://example.org/hook\n")
    set_password, started, by_hand, dry, calendar = (block.strip() for block in blocks("sh"))
    run(folder, set_password, input="a good long password\n")
    assert (folder / DEFAULT_FILE).exists()
    assert started == "remanence serve VENUE"
    with Server(folder) as server:
        assert "This morning" in server.get("/")
        assert "Password" in server.get("/release-test")
        assert "BEGIN:VCALENDAR" in server.get("/calendar.ics")
    run(folder, by_hand)
    assert "release-tested,,,passed,Ana" in (folder / "service.csv").read_text()
    said = run(folder, dry).stdout
    assert said.count("would send") == 3
    run(folder, calendar)
    assert (folder / "calendar.ics").read_text().count("BEGIN:VEVENT") == 1


def test_what_the_page_says_of_the_limits_is_so():
    limits = parse_venue(ZONED).limits
    assert (limits.morning_from_hour, limits.morning_quiet_s) == (5.0, 120.0)
    assert "(5:00)" in PAGE
    assert "(two minutes)" in PAGE


def test_serve_tells_a_new_report_by_itself(tmp_path):
    from tests.pipelines.record.processes import until
    from tests.pipelines.tell.ways import WebServer, secret

    with WebServer() as web:
        folder = venue(tmp_path / "harbour", text=ZONED + '\n[[tell]]\nkind = "webhook"\n'
                       'address_file = "secrets/hook"\n')
        secret(folder, "hook", web.url)
        with Server(folder, "--tell"):
            until(lambda: web.came, 60)
    assert main(["tell", str(folder)]) == DONE
    assert len(web.came) == 1
