"""The commands: words in, work done by the other modules, text and an exit status out.

Exit status: 0 done; 1 the data or the venue file is at fault; 2 usage; 3 where
``--fail-on`` was given and a finding of that urgency stands. Whatever a command
needs is imported when it runs, so that ``remanence --help`` answers in a blink.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TextIO

from remanence.shared.errors import RemanenceError
from remanence.shared.terminal import printable

DONE, AT_FAULT, USAGE, URGENT = 0, 1, 2, 3

_VENUE_HELP = "the venue file, or the folder it is in"


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"found {text!r}; write a date like 2026-02-28"
        ) from None


def _language(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--language", default="en", metavar="CODE",
                        help="language of the pages: en or de (default: en)")


def _report_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--week", metavar="WEEK",
                        help="ISO week like 2026-W47 (default: the newest with two days of log)")
    parser.add_argument("--fail-on", choices=("now", "week"),
                        help="exit with 3 where a finding this urgent, or more, stands")
    _language(parser)


def build_parser() -> argparse.ArgumentParser:
    """The parser of every command and option."""
    parser = argparse.ArgumentParser(
        prog="remanence",
        description="Reads the logs of electromagnetic locks in puzzle rooms and says which lock, "
                    "rail or controller needs hands, which pulse and wait to programme, and which "
                    "parts to order.",
        epilog="Remanence advises; it is no safety device. Release on power loss and on emergency "
               "stop is proven by test, not by a log.",
    )
    parser.add_argument("--version", action="store_true", help="print the version")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")

    def add(name: str, text: str, *, venue: bool = True) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        if venue:
            sub.add_argument("venue", metavar="VENUE", help=_VENUE_HELP)
        sub.set_defaults(run=_RUN[name])
        return sub

    sub = add("demo", "build the demo venue, run the whole job on it, say where the report is",
              venue=False)
    sub.add_argument("--out", type=Path, default=Path("remanence-demo"), metavar="DIR",
                     help="folder to build it in (default: remanence-demo)")
    sub.add_argument("--seed", type=int, metavar="N", help="another course of chance")

    add("check", "read the venue file, print the wiring schedule and all that is wrong or unsafe")

    sub = add("ingest", "take logs into the store: those the venue file names, or those given")
    sub.add_argument("files", nargs="*", type=Path, metavar="FILE", help="log files")
    sub.add_argument("--retry-rejects", action="store_true",
                     help="take in earlier rejects that the venue file can now read")

    sub = add("verify", "check that every file of the store is as it was written")
    sub.add_argument("--repair", action="store_true",
                     help="set aside what is damaged, and have it back from the logs")
    sub.add_argument("--renamed", action="store_true",
                     help="the venue has a new id: give it to the store")

    sub = add("sniff", "look at log files and propose a [[log]] block for them", venue=False)
    sub.add_argument("files", nargs="+", type=Path, metavar="FILE", help="log files")

    sub = add("report", "write the weekly health report")
    _report_words(sub)
    sub.add_argument("--out", type=Path, metavar="DIR",
                     help="folder to write (default: reports/WEEK beside the venue file)")
    sub.add_argument("--single-file", action="store_true",
                     help="write one HTML file with everything in it, to send by mail")

    sub = add("timing", "write the designer's sheet: pulse, wait and cue from real latencies")
    sub.add_argument("--out", type=Path, metavar="DIR",
                     help="folder to write (default: timing beside the venue file)")
    sub.add_argument("--header", type=Path, metavar="FILE", help="write the values as a C header")
    sub.add_argument("--yaml", type=Path, metavar="FILE", help="write the values as YAML")
    _language(sub)

    sub = add("parts", "write the owner's sheet: what to order, how many, by when, at what cost")
    sub.add_argument("--out", type=Path, metavar="DIR",
                     help="folder to write (default: parts beside the venue file)")
    _language(sub)

    sub = add("service", "add a line to the service log")
    sub.add_argument("lock", metavar="LOCK", help="the lock that was worked on")
    sub.add_argument("action", metavar="ACTION",
                     help="replaced, adjusted, cleaned, rewired, inspected or release-tested")
    sub.add_argument("--part", metavar="P", help="the part that was fitted")
    sub.add_argument("--note", metavar="T", help="what was seen or done")
    sub.add_argument("--date", type=_day, metavar="D",
                     help="day of the work (default: today in the venue's time zone)")

    sub = add("weekly", "ingest, then all three sheets: the one line for a scheduler")
    _report_words(sub)

    sub = add("export", "write a kept table as .parquet, .csv or .xlsx")
    sub.add_argument("table", metavar="TABLE", help="signals, rejects, actuations, openings, ...")
    sub.add_argument("file", type=Path, metavar="FILE", help="file to write; its ending decides")
    return parser


def _say(text: str, file: TextIO | None = None) -> None:
    """Print what may hold names out of logs: no control character reaches the terminal."""
    print(printable(text), file=file)


def _demo(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.demo import run_demo

    _say(run_demo(words.out, seed=words.seed))
    return DONE


def _check(words: argparse.Namespace) -> int:
    from remanence.analytics.conditions.fitting import unsafe_fittings
    from remanence.pipelines.sheets.check import report_text
    from remanence.pipelines.sheets.refresh import load_venue

    venue, _ = load_venue(words.venue)
    _say(report_text(venue, unsafe_fittings(venue)))
    return DONE


def _ingest(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.refresh import take_in

    text, whole = take_in(words.venue, words.files or None, retry_rejects=words.retry_rejects)
    _say(text)
    return DONE if whole else AT_FAULT


def _verify(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.verify import verify

    text, sound = verify(words.venue, mend=words.repair, renamed=words.renamed)
    _say(text)
    return DONE if sound else AT_FAULT


def _sniff(words: argparse.Namespace) -> int:
    from remanence.pipelines.sniff.sniff import sniff

    _say(sniff(words.files))
    return DONE


def _report(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.health import write_report

    outcome = write_report(
        words.venue, week=words.week, out=words.out, language=words.language,
        single_file=words.single_file,
    )
    _say(outcome.text())
    return _told(outcome.faults, urgent=outcome.has(words.fail_on))


def _told(faults: Sequence[str], *, urgent: bool = False) -> int:
    """Print what could not be written; the exit status."""
    for fault in faults:
        _say(f"error: {fault}", file=sys.stderr)
    return URGENT if urgent else AT_FAULT if faults else DONE


def _timing(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.refresh import prepare

    ready = prepare(words.venue)
    from remanence.pipelines.sheets.timing import write_timing

    out = words.out or ready.path.parent / "timing"
    outcome = write_timing(
        ready.venue, ready.path, out, header=words.header, yaml=words.yaml,
        language=words.language,
    )
    _say(outcome.text())
    return _told(ready.faults)


def _parts(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.refresh import prepare

    ready = prepare(words.venue)
    from remanence.pipelines.sheets.parts import write_parts

    out = words.out or ready.path.parent / "parts"
    outcome = write_parts(ready.venue, ready.path, out, language=words.language)
    _say(outcome.text())
    return _told((*ready.faults, *outcome.faults))


def _service(words: argparse.Namespace) -> int:
    from datetime import datetime

    from remanence.pipelines.sheets.refresh import load_venue
    from remanence.pipelines.store.service_log import add_service, service_path

    venue, path = load_venue(words.venue)
    day = words.date or datetime.now(venue.zone).date()
    line = add_service(
        venue, path, words.lock, words.action, day=day, part=words.part, note=words.note
    )
    _say(f"{service_path(venue, path)}: added {line}")
    return DONE


def _weekly(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.weekly import run_weekly

    outcome = run_weekly(words.venue, week=words.week, language=words.language)
    _say(outcome.text())
    return _told(outcome.faults, urgent=outcome.has(words.fail_on))


def _export(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.export import export

    _say(export(words.venue, words.table, words.file))
    return DONE


_RUN = {
    "demo": _demo, "check": _check, "ingest": _ingest, "verify": _verify, "sniff": _sniff,
    "report": _report, "timing": _timing, "parts": _parts, "service": _service,
    "weekly": _weekly, "export": _export,
}


def main(words: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    words : sequence of str, optional
        The words after ``remanence``; default: those of the command line.

    Returns
    -------
    int
        The exit status.
    """
    parser = build_parser()
    try:
        given = parser.parse_args(words)
    except SystemExit as stop:  # argparse has printed why
        return int(stop.code or 0)
    if given.version:
        from importlib.metadata import version

        _say(f"remanence {version('remanence-locks')}")
        return DONE
    if given.command is None:
        parser.print_help()
        return USAGE
    try:
        status = int(given.run(given))
        sys.stdout.flush()
        return status
    except RemanenceError as error:
        _say(f"error: {error}", file=sys.stderr)
        return AT_FAULT
    except KeyboardInterrupt:
        _say("stopped", file=sys.stderr)
        return 130
    except BrokenPipeError:
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        _say(f"error: {name}{error.strerror or error}", file=sys.stderr)
        return AT_FAULT


if __name__ == "__main__":
    sys.exit(main())
