"""What a person sees of an ingest: progress while it runs, a summary after."""

from __future__ import annotations

import io
from datetime import date

from remanence.pipelines.ingest import progress as ingest_progress
from remanence.pipelines.ingest.progress import Bar, Lines, progress_for
from remanence.pipelines.ingest.summary import FileCount, IngestSummary


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_a_bar_where_a_person_watches_and_lines_where_not():
    assert isinstance(progress_for(Terminal()), Bar)
    assert isinstance(progress_for(io.StringIO()), Lines)


def test_the_bar_tells_bytes_and_time_left(monkeypatch):
    screen = Terminal()
    monkeypatch.setattr("sys.stderr", screen)
    bar = Bar()
    bar.start(4 << 20)
    bar.bar.mininterval = 0
    bar.advance(1 << 20, "logs/a.csv")
    bar.bar.refresh()
    bar.close()
    assert "logs/a.csv" in screen.getvalue()
    assert "1.00M/4.00M" in screen.getvalue()


def test_lines_come_now_and_then(monkeypatch, capsys):
    now = [100.0]
    monkeypatch.setattr(ingest_progress.time, "monotonic", lambda: now[0])
    lines = Lines()
    lines.start(10_000_000)
    lines.advance(1_000_000, "a.csv")
    assert capsys.readouterr().err == ""
    now[0] += 20
    lines.advance(1_500_000, "a.csv")
    assert capsys.readouterr().err == "reading a.csv: 2 of 10 MB, about 60 s left\n"
    lines.close()


def test_the_summary_adds_up_and_names_reasons_with_a_place():
    one = FileCount("a.csv", read=1200, taken=1000, rejected=3)
    one.reasons.update({"no time": 2, "no value": 1})
    one.first_line |= {"no time": 7, "no value": 9}
    same = FileCount("b.csv", read=50, unchanged=True)
    summary = IngestSummary([one, same], ["c.csv: is a folder"], ["a note"], {date(2026, 11, 2)})
    assert summary.text().splitlines() == [
        "1,250 records read in 2 files: 1,000 taken, 247 repeated, 3 rejected; 1 day changed",
        "  file          read        taken     repeated   rejected",
        "  a.csv        1,200        1,000          197          3",
        "  1 file unchanged since the last time, not read again",
        "Rejected, and why (export the rejects table to see the lines):",
        "          2  no time  (a.csv, line 7)",
        "          1  no value  (a.csv, line 9)",
        "Note: a note",
        "Not read: c.csv: is a folder",
    ]


def test_a_name_with_a_line_break_stays_on_one_line():
    text = IngestSummary([FileCount("a\nb<b>.csv", read=1, taken=1)]).text()
    assert "  a?b<b>.csv " in text


def test_long_summaries_are_cut_and_say_so():
    files = [FileCount(f"{i}.csv", read=1, taken=1) for i in range(60)]
    files[50].reasons.update({f"reason {i}": 1 for i in range(30)})
    text = IngestSummary(files).text()
    assert "and 60 more, nothing rejected or not shown" in text
    assert "and 10 further reasons" in text
