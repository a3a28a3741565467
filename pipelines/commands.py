"""The commands: words in, work done by the other modules, text and an exit status out.

Exit status: 0 done; 1 the data or the venue file is at fault; 2 usage; 3 where
``--fail-on`` was given and a finding of that urgency stands. The sheets add their own commands
(:mod:`remanence.pipelines.sheets`). Whatever a command needs is imported when it runs, so that
``remanence --help`` answers in a blink.
"""

from __future__ import annotations

import argparse
import contextlib
import difflib
import os
import sys
from collections.abc import Callable, Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import NoReturn

from remanence.pipelines.answers import SILENT, answered
from remanence.pipelines.completion import SHELLS
from remanence.pipelines.say import note, say
from remanence.pipelines.sheets import Sheet, all_sheets
from remanence.pipelines.sheets.sheet import add_single_file, add_week, program_version
from remanence.shared.errors import RemanenceError

DONE, AT_FAULT, USAGE, URGENT = 0, 1, 2, 3

_VENUE_HELP = "the venue file, or the folder it is in (default: the folder you stand in)"


class _UsageError(Exception):
    """The words after ``remanence`` cannot be understood; says why, below the usage."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise _UsageError(f"{self.format_usage()}{self.prog}: error: {message}")


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"found {text!r}; write a date like 2026-02-28"
        ) from None


def _whole(text: str, least: int = 0) -> int:
    if not text.isdecimal() or int(text) < least:
        raise argparse.ArgumentTypeError(f"found {text!r}; write a whole number, {least} or more")
    return int(text)


def _language(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--language", default="en", metavar="CODE",
                        help="language of the pages: en or de (default: en)")


def _add_sheet(parser: argparse.ArgumentParser, sheet: Sheet) -> None:
    sheet.options(parser)
    parser.add_argument("--out", type=Path, metavar="DIR",
                        help=f"folder to write (default: {sheet.folder} beside the venue file)")
    _language(parser)


def build_parser() -> argparse.ArgumentParser:
    """The parser of every command and option."""
    parser = _Parser(
        prog="remanence",
        description="Reads the logs of electromagnetic locks in puzzle rooms and says which lock, "
                    "rail or controller needs work, which pulse and wait to programme, and which "
                    "parts to order.",
        epilog="Remanence advises; it is no safety device. Release on power loss and on emergency "
               "stop is proven by test, not by a log.",
    )
    parser.add_argument("--version", action="store_true", help="print the version")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")

    def add(
        name: str, text: str, run: Callable[[argparse.Namespace], int], *, venue: bool = True
    ) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        if venue:
            sub.add_argument("venue", metavar="[VENUE]", help=_VENUE_HELP)
        sub.set_defaults(run=run)
        return sub

    sub = add("demo", "build the demo venue, run the whole job on it, say where the report is",
              _demo, venue=False)
    sub.add_argument("--out", type=Path, default=Path("demo"), metavar="DIR",
                     help="folder to build it in (default: demo)")
    sub.add_argument("--seed", type=int, metavar="N", help="another course of chance")

    sub = add("check", "read the venue file, print the wiring schedule and all that is wrong or "
              "unsafe", _check)
    sub.add_argument("--logs", action="store_true",
                     help="also take its logs in on trial, and show what would come of them")

    sub = add("ingest", "take logs into the store: those the venue file names, or those given",
              _ingest)
    sub.add_argument("files", nargs="*", type=Path, metavar="FILE", help="log files")
    sub.add_argument("--retry-rejects", action="store_true",
                     help="take in earlier rejects that the venue file can now read")

    sub = add("record", "write what arrives on the venue file's live sources to daily JSON Lines "
              "under recorded/, until stopped", _record)
    sub.add_argument("--status", action="store_true",
                     help="print a line of health for each source, and end; exit status 1 where "
                          "one is not well")

    sub = add("serve", "show the sheets on the venue's network: all weeks, this morning's round, "
              "and forms for work done", _serve)
    sub.add_argument("--host", default="127.0.0.1", metavar="ADDRESS",
                     help="where to listen (default: 127.0.0.1, only this computer itself; "
                          "0.0.0.0 is the whole network)")
    sub.add_argument("--port", type=int, default=8470, metavar="N", help="port (default: 8470)")
    sub.add_argument("--set-password", action="store_true",
                     help="ask for the password that whatever writes needs, keep its hash, and end")
    sub.add_argument("--password-file", type=Path, metavar="FILE",
                     help="where that hash is (default: secrets/serve.json beside the venue file)")
    sub.add_argument("--certificate", type=Path, metavar="FILE", help="for https, with --key")
    sub.add_argument("--key", type=Path, metavar="FILE", help="the certificate's key")
    sub.add_argument("--tell", action="store_true",
                     help="look for a new report every minute, and tell whom [[tell]] names")
    _language(sub)

    sub = add("tell", "tell whom [[tell]] names of the newest report, each thing once", _tell)
    sub.add_argument("--dry-run", action="store_true", help="print it, and send nothing")

    sub = add("calendar", "write the days of due release tests and planned orders as a calendar "
              "(.ics)", _calendar)
    sub.add_argument("--out", type=Path, metavar="FILE",
                     help="file to write (default: calendar.ics beside the venue file)")
    _language(sub)

    sub = add("verify", "check that every file of the store is as it was written", _verify)
    sub.add_argument("--repair", action="store_true",
                     help="set aside what is damaged, and have it back from the logs")
    sub.add_argument("--renamed", action="store_true",
                     help="the venue has a new id: give it to the store")

    sub = add("sniff", "look at log files and propose a [[log]] block for them", _sniff,
              venue=False)
    sub.add_argument("files", nargs="+", type=Path, metavar="FILE", help="log files")
    sub.add_argument("--venue", action="store_true", dest="whole",
                     help="draft the whole venue file out of them, and ask what no log tells")

    for sheet in all_sheets():
        _add_sheet(add(sheet.name, sheet.help, partial(_write_sheet, sheet)), sheet)

    sub = add("service", "add a line to the service log", _service)
    sub.add_argument("lock", metavar="LOCK", help="the lock that was worked on")
    sub.add_argument("action", metavar="ACTION",
                     help="replaced, adjusted, cleaned, rewired, inspected or release-tested")
    result = sub.add_mutually_exclusive_group()
    for word, means in (("passed", "the lock let go"), ("failed", "it did not")):
        result.add_argument(f"--{word}", dest="result", action="store_const", const=word,
                            help=f"of a release test: {means}; one of the two is required")
    sub.add_argument("--part", metavar="P", help="the part that was fitted")
    sub.add_argument("--note", metavar="T", help="what was seen or done")
    sub.add_argument("--by", metavar="NAME", help="who did it")
    sub.add_argument("--date", type=_day, metavar="D",
                     help="day of the work (default: today in the venue's time zone)")

    sub = add("order", "note that parts were ordered, or that they arrived", _order)
    sub.add_argument("part", metavar="PART", help="the part, as the venue file names it")
    sub.add_argument("count", metavar="COUNT", type=int, help="how many")
    sub.add_argument("--arrived", action="store_true", help="they arrived (default: ordered)")
    sub.add_argument("--note", metavar="T", help="anything worth telling, such as where")
    sub.add_argument("--date", type=_day, metavar="D",
                     help="day of it (default: today in the venue's time zone)")

    sub = add("weekly", "ingest, then every sheet, and tell whom [[tell]] names: the one line for "
              "a scheduler", _weekly)
    add_week(sub)
    add_single_file(sub)
    sub.add_argument("--dry-run", action="store_true",
                     help="print what would be told, and send nothing")
    _language(sub)

    sub = add("export", "write a kept table as .parquet, .csv or .xlsx", _export)
    sub.add_argument("table", metavar="TABLE", help="signals, rejects, actuations, openings, ...")
    sub.add_argument("file", type=Path, metavar="FILE", help="file to write; its ending decides")

    sub = add("chain", "ingest and sheets of every venue of a chain, and the chain's own pages",
              _chain, venue=False)
    sub.add_argument("chain", nargs="?", default=".", metavar="CHAIN",
                     help="the chain's file, or the folder of its chain.toml (default: the folder "
                     "you stand in)")
    sub.add_argument("--jobs", type=partial(_whole, least=1), metavar="N",
                     help="venues at once, each in a process (default: one a core)")
    sub.add_argument("--scheduler", metavar="ADDRESS",
                     help="have it done by the workers of this Dask scheduler (extra: chain)")
    sub.add_argument("--retries", type=_whole, default=2, metavar="N",
                     help="try a venue again so often where that may help (default: 2)")
    sub.add_argument("--again", action="store_true",
                     help="also do venues about which nothing is new since they were done")
    sub.add_argument("--out", type=Path, metavar="DIR",
                     help="folder of the chain's pages (default: chain beside its file)")
    add_week(sub)
    _language(sub)

    sub = add("schema", "print the JSON Schema of a file, for editors and programs", _schema,
              venue=False)
    sub.add_argument("name", metavar="NAME",
                     help="venue, findings, timing, parts, chain or chain-json")
    sub = add("completion", "print the script by which a shell completes these commands",
              _completion, venue=False)
    sub.add_argument("shell", choices=SHELLS, help="which shell")

    for name, command in commands.choices.items():
        if name not in SILENT:
            command.add_argument("--json", action="store_true",
                                 help="answer with one JSON object, for programs")
    return parser


def _demo(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.demo import run_demo

    say(run_demo(words.out, seed=words.seed))
    return DONE


def _check(words: argparse.Namespace) -> int:
    from remanence.analytics.conditions.fitting import unsafe_fittings
    from remanence.pipelines.sheets.check import report_text, schedule
    from remanence.pipelines.sheets.refresh import load_venue

    venue, path = load_venue(words.venue)
    unsafe = unsafe_fittings(venue)
    words.outcome = schedule(venue, unsafe)
    say(report_text(venue, unsafe))
    if not words.logs:
        return DONE
    from remanence.pipelines.sheets.check_logs import logs_text

    text, good = logs_text(venue, path)
    say(f"\n{text}")
    return DONE if good else AT_FAULT


def _ingest(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.refresh import take_in

    venue, files = words.venue, words.files
    if Path(venue).is_file() and Path(venue).suffix != ".toml":
        venue, files = ".", [Path(venue), *files]  # only logs were named
    taken = take_in(venue, files or None, retry_rejects=words.retry_rejects)
    words.outcome = taken.figures
    say(taken.text)
    return DONE if taken.good else AT_FAULT


def _record(words: argparse.Namespace) -> int:
    from remanence.pipelines.record import record, status_report

    if words.status:
        text, well = status_report(words.venue)
        say(text)
        return DONE if well else AT_FAULT
    say(record(words.venue))
    return DONE


def _serve(words: argparse.Namespace) -> int:
    from remanence.pipelines.serve import serve, set_password

    if words.set_password:
        say(set_password(words.venue, words.password_file))
        return DONE
    say(serve(words.venue, host=words.host, port=words.port, password_file=words.password_file,
               certificate=words.certificate, key=words.key, language=words.language,
               tells=words.tell))
    return DONE


def _tell(words: argparse.Namespace) -> int:
    from remanence.pipelines.tell import tell

    outcome = tell(words.venue, dry_run=words.dry_run)
    say(outcome.text())
    return _told(outcome.faults)


def _calendar(words: argparse.Namespace) -> int:
    from remanence.pipelines.tell import write_calendar

    say(write_calendar(words.venue, words.out, code=words.language))
    return DONE


def _verify(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.verify import verify

    text, sound = verify(words.venue, mend=words.repair, renamed=words.renamed)
    say(text)
    return DONE if sound else AT_FAULT


def _sniff(words: argparse.Namespace) -> int:
    from remanence.pipelines.sniff.sniff import sniff
    from remanence.pipelines.sniff.venue_draft import draft_venue

    if words.whole:
        draft = draft_venue(words.files)
        say(draft.text.removesuffix("\n"), wrap=False)  # A file, to be kept as it is.
        note("What the logs do not tell, most important first:")
        for number, question in enumerate(draft.questions, start=1):
            note(f"  {number}. {question}")
        return DONE
    say(sniff(words.files), wrap=False)
    return DONE


def _told(faults: Sequence[str], *, urgent: bool = False) -> int:
    """Print what could not be written; the exit status."""
    for fault in faults:
        note(f"error: {fault}")
    return URGENT if urgent else AT_FAULT if faults else DONE


def _write_sheet(sheet: Sheet, words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.refresh import prepare
    from remanence.pipelines.sheets.sheet import SheetRun

    ready = prepare(words.venue)
    outcome = words.outcome = sheet.write(
        SheetRun(ready, words.language, words.out, vars(words)))
    say(outcome.text())
    return _told((*ready.faults, *outcome.faults), urgent=outcome.has(vars(words).get("fail_on")))


def _order(words: argparse.Namespace) -> int:
    from datetime import datetime

    from remanence.pipelines.sheets.refresh import load_venue
    from remanence.pipelines.store.order_log import add_order, order_path

    venue, path = load_venue(words.venue)
    line = add_order(
        venue, path, words.part, "arrived" if words.arrived else "ordered", words.count,
        note=words.note, day=words.date or datetime.now(venue.zone).date())
    say(f"{order_path(venue, path)}: added {line}")
    return DONE


def _service(words: argparse.Namespace) -> int:
    from datetime import datetime

    from remanence.pipelines.sheets.refresh import load_venue
    from remanence.pipelines.store.service_log import add_service, service_path

    venue, path = load_venue(words.venue)
    today = datetime.now(venue.zone).date()
    line = add_service(
        venue, path, words.lock, words.action, day=words.date or today, today=today,
        part=words.part, note=words.note, result=words.result, by=words.by,
    )
    say(f"{service_path(venue, path)}: added {line}")
    return DONE


def _weekly(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.weekly import run_weekly

    outcome = words.outcome = run_weekly(
        words.venue, week=words.week, language=words.language, single_file=words.single_file,
        dry_run=words.dry_run)
    say(outcome.text())
    return _told(outcome.faults, urgent=outcome.has(words.fail_on))


def _export(words: argparse.Namespace) -> int:
    from remanence.pipelines.sheets.export import export

    text, faults = export(words.venue, words.table, words.file)
    say(text)
    return _told(faults)


def _chain(words: argparse.Namespace) -> int:
    from remanence.pipelines.chain import run_chain

    outcome = run_chain(
        words.chain, jobs=words.jobs, scheduler=words.scheduler, week=words.week,
        language=words.language, out=words.out, retries=words.retries, again=words.again,
        say=say)
    say(outcome.text())
    return _told(outcome.faults, urgent=outcome.has(words.fail_on))


def _schema(words: argparse.Namespace) -> int:
    from remanence.pipelines.schemas import schema_text

    say(schema_text(words.name).removesuffix("\n"), wrap=False)
    return DONE


def _completion(words: argparse.Namespace) -> int:
    from remanence.pipelines.completion import completion

    say(completion(build_parser(), words.shell), wrap=False)
    return DONE


def _parse(words: Sequence[str]) -> argparse.Namespace:
    """The words as a command; where its venue is missing, the folder one stands in is it.

    Raises
    ------
    _UsageError
        They are no command.
    """
    parser = build_parser()
    known = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction)).choices
    if words and not words[0].startswith("-") and words[0] not in known:
        close = difflib.get_close_matches(words[0], known, n=1, cutoff=0.5)
        advice = f"did you mean {close[0]}?" if close else f"use {', '.join(known)}"
        raise _UsageError(f"remanence: error: {words[0]!r} is no command; {advice}")
    try:
        given = parser.parse_args(words)
    except _UsageError as fault:
        try:
            given = parser.parse_args([words[0], ".", *words[1:]])
        except _UsageError:
            raise fault from None
    _one_result(given)
    return given


def _one_result(given: argparse.Namespace) -> None:
    """A release test was passed or failed, and nothing else was either."""
    if given.command != "service" or (given.action == "release-tested") is (
            given.result is not None):
        return
    raise _UsageError("remanence service: error: " + (
        "release-tested: found neither --passed nor --failed; say whether the lock let go"
        if given.result is None else
        f"--{given.result}: found with the action {given.action!r}; only release-tested has it"))


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
    words = sys.argv[1:] if words is None else words
    try:
        given = _parse(words)
    except _UsageError as error:
        note(str(error))
        return USAGE
    except RemanenceError as error:  # a package that adds a command is at fault
        note(f"error: {error}")
        return AT_FAULT
    except SystemExit as stop:  # the help was asked for and is printed
        return int(stop.code or 0)
    if given.version:
        say(f"remanence {program_version()}")
        return DONE
    if given.command is None:
        build_parser().print_help()
        return USAGE
    try:
        status = answered(given, given.run) if vars(given).get("json") else int(given.run(given))
        sys.stdout.flush()
        return status
    except RemanenceError as error:
        note(f"error: {error}")
        return AT_FAULT
    except KeyboardInterrupt:
        note("stopped")
        return 130
    except BrokenPipeError:
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        note(f"error: {name}{error.strerror or error}")
        return AT_FAULT


if __name__ == "__main__":
    sys.exit(main())
