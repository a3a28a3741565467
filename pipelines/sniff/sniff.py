"""Look at log files and propose a ``[[log]]`` block, with questions where doubt is left."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from remanence.pipelines.clocks.now import latest_possible
from remanence.pipelines.clocks.wall_clock import WallClock
from remanence.pipelines.ingest.open_log import pieces
from remanence.pipelines.readers import FORMATS, all_readers
from remanence.pipelines.readers.layout import Layout
from remanence.pipelines.readers.raw import Sample
from remanence.pipelines.readers.source import Source, UnreadableSourceError, sources_of
from remanence.pipelines.sniff.columns import Roles, find_roles
from remanence.pipelines.sniff.sampling import sample_of
from remanence.pipelines.sniff.toml_text import block_text, quoted
from remanence.pipelines.sniff.unreadable import refuse_unreadable
from remanence.shared.errors import RemanenceError
from remanence.shared.log_format import read_log_format
from remanence.shared.venue import Venue

SHOWN = 5
IMPOSSIBLE = (
    "IMPOSSIBLE as it stands: these times lie in the future, and ingest would set them aside. A\n"
    "counter since the start is boot-s, boot-ms or boot-us; else look at the unit and the order\n"
    "of the date.")
HIGHEST_VOLTS = 60.0
"""Rails of puzzle rooms are 12 or 24 V; more is asked about. Common practice, no source."""

@dataclass
class Proposal:
    """What one file looks like."""

    source: Source
    what: str
    keys: dict[str, object] = field(default_factory=dict)
    roles: Roles = field(default_factory=Roles)
    questions: list[str] = field(default_factory=list)


def sniff(files: Sequence[str | Path]) -> str:
    """Propose a ``[[log]]`` block for each file.

    Parameters
    ----------
    files : sequence of path
        Log files; of each, head, middle and tail are read.

    Returns
    -------
    str
        For each: what it is, the block to paste, the first records as they would be
        taken, and what could not be decided, as questions.

    Raises
    ------
    RemanenceError
        No file could be read.
    """
    parts, failed = [], []
    for given in files:
        path = Path(given)
        try:
            source = sources_of(path, path.as_posix())[0]
            parts.append(_one(source, path))
        except IndexError:
            failed.append(f"{path}: is an empty archive")
        except UnreadableSourceError as error:
            failed.append(str(error) if str(path) in str(error) else f"{path}: {error}")
    if not parts:
        raise RemanenceError("\n".join(failed))
    return "\n\n".join(parts + [f"Not read: {text}" for text in failed])


def propose(source: Source) -> Proposal:
    """What a file is, and the keys of its block, without ``files``.

    Raises
    ------
    UnreadableSourceError
        It is empty, or no log.
    """
    proposal = _proposal(sample_of(source))
    _finish(proposal)
    return proposal


def _one(source: Source, path: Path) -> str:
    proposal = propose(source)
    proposal.keys = {"files": [path.as_posix()], **proposal.keys}
    block = block_text({k: v for k, v in proposal.keys.items() if (k, v) != ("format", "csv")})
    shown, high = _preview(source, block)
    lines = [f"{source.name}: {proposal.what}", "", "Paste this into the venue file, and put right "
             "what is not:", "", block, "", *shown]
    if high and not proposal.roles.wide:
        proposal.questions.append(
            f"Are the readings of {', '.join(high)} volts? They are rather high for that; where "
            "they are counts or millivolts, give the channel a scale below channels.")
    questions = [*proposal.questions, *proposal.roles.questions]
    if questions:
        lines += ["", "What the sample does not tell:"]
        lines += [f"  {n}. {question}" for n, question in enumerate(questions, start=1)]
    return "\n".join(lines)


def _proposal(sample: Sample) -> Proposal:
    """What the first reader that knows such a file says of it."""
    refused = False
    for name, reader in all_readers().items():
        if reader.lines and not refused:  # what is no text, no reader of text can read
            refuse_unreadable(sample)
            refused = True
        looks = reader.looks(sample) if reader.looks else None
        if looks is None:
            continue
        proposal = Proposal(sample.source, looks.what, {"format": name, **looks.keys},
                            find_roles(looks.columns), looks.questions)
        if looks.roles:
            proposal.roles.columns = {role: role for role in looks.roles}
        if reader.lines and sample.encoding != "utf-8":
            proposal.keys["encoding"] = sample.encoding
            proposal.questions.append(f"The text is not UTF-8; encoding {sample.encoding} was "
                                      "taken. Do names with accents look right below?")
        return proposal
    raise UnreadableSourceError(f"{sample.source.name}: no format fits it")


# From findings to keys.

def _finish(proposal: Proposal) -> None:
    roles, keys = proposal.roles, proposal.keys
    columns = {role: name for role, name in roles.columns.items()
               if role != name or role == "wall"}
    if columns:
        keys["columns"] = columns
    if roles.decimal == ",":
        keys["decimal"] = ","
    _finish_time(proposal)
    if roles.flags:
        keys["ignore_where"] = roles.flags
    for name in ("on", "off", "unknown"):
        if getattr(roles, name):
            keys[name] = getattr(roles, name)
    names = roles.channels
    slashed = any("/" in name for name in names)
    if roles.wide:
        keys["layout"] = "wide"
        names = roles.wide
        proposal.questions.append("Which of the venue's channels is each column? Put them in below "
                                  "channels, and take out those that are none. For a switch: is 1 "
                                  "a closed contact? If not, invert = true. For volts: which scale "
                                  "turns the reading into volts?")
    elif names and _topics(names):
        keys["channel_pattern"] = _topics(names)
        proposal.questions.append(
            "Which part of the topic is the controller, and which the name? channel_pattern makes "
            "CONTROLLER/NAME of " + quoted(names[0]) + "; put single ones right below channels.")
    elif names and not slashed:
        proposal.questions.append("Which of the venue's channels is each name? Put them in below "
                                  "channels; or name the controller if the venue's channels are "
                                  "CONTROLLER/NAME with the very names of the log.")
    if names and (roles.wide or not slashed):
        keys["channels"] = {name: f"CONTROLLER/{name.replace(' ', '-')}" for name in names[:60]}


def _topics(names: list[str]) -> str | None:
    """A pattern that takes controller and name out of topics of three parts or more."""
    parts = [name.split("/") for name in names]
    depth = len(parts[0])
    if depth < 3 or any(len(part) != depth for part in parts):
        return None
    last = depth
    while last > 2 and len({part[last - 1] for part in parts}) == 1 and len(names) > 1:
        last -= 1  # what all end in, like /state
    same = [re.escape(parts[0][i]) if len({part[i] for part in parts}) == 1 else "[^/]+"
            for i in range(depth)]
    same[last - 2 : last] = ["(?P<controller>[^/]+)", "(?P<name>[^/]+)"]
    return "^" + "/".join(same) + "$"


def _finish_time(proposal: Proposal) -> None:
    roles, keys = proposal.roles, proposal.keys
    time, date = roles.time, roles.date
    constants: dict[str, str] = {}
    if not roles.wide and "channel" not in roles.columns:
        constants = {"channel": "CONTROLLER/NAME"}
        keys["constants"] = constants
        proposal.questions.append("No column names the channel: of which of the venue's channels "
                                  "is the file? Put it into constants, or take it out of the "
                                  "file's name with file_pattern.")
    if time is None:
        proposal.questions.append("Which column is the time, and of what form? None looks like "
                                  "one; set columns and time_format.")
        return
    forms = time.forms
    if date is not None and time.kind == "time":
        forms = tuple(f"{d} {t}" for d in date.forms for t in time.forms)
    if time.kind == "time" and date is None:
        day, whence = _day_of(proposal.source)
        keys["constants"] = {"date": day, **constants}
        forms = ("iso",)
        proposal.questions.append(f"Of which day are the times? {day} was taken, {whence}. Put it "
                                  "right in constants, or take it out of the file's name with "
                                  "file_pattern and a group date.")
    if forms[0] != "iso":
        keys["time_format"] = forms[0]
    if roles.wall and roles.wall.forms[0] != "iso":
        keys["wall_format"] = roles.wall.forms[0]
    if time.kind == "counter":
        proposal.questions.append("Does the counter count milliseconds (boot-ms), microseconds "
                                  "(boot-us) or seconds (boot-s)?" + (
                                      "" if roles.wall else " And what tells the true "
                                      "time of the start: a line with true time (wall), started, "
                                      "or the file's name?"))
    elif len(forms) > 1:
        proposal.questions.append("Which order has the date? These fit the whole sample: "
                                  + ", ".join(forms[:6]) + f". {forms[0]} was taken.")
    if time.yearless:
        proposal.questions.append("Of which year are the times? Where the file's name holds none, "
                                  "the day on which it was last written tells.")
    if not time.zoned and not time.forms[0].startswith(("epoch", "boot")):
        proposal.questions.append(
            "Are times without an offset the venue's local time? If not, set time_zone, like "
            'time_zone = "UTC".')


def _day_of(source: Source) -> tuple[str, str]:
    """The day that a file's name tells, else that of its last writing; and where it is from."""
    found = re.search(r"(20\d\d)[-_.]?(0[1-9]|1[0-2])[-_.]?(0[1-9]|[12]\d|3[01])(?!\d)",
                      source.name)
    if found:
        return "-".join(found.groups()), "as the file is called"
    written = datetime.fromtimestamp(source.path.stat().st_mtime, UTC)
    return written.strftime("%Y-%m-%d"), "the day on which the file was last written"


def _preview(source: Source, block: str) -> tuple[list[str], list[str]]:
    """What the first records would be; and the channels whose readings are too high for volts."""
    import tomllib

    read = tomllib.loads(block)["log"][0]
    log, problems = read_log_format(read, "log", lambda *_: 0, FORMATS)
    if log is None:
        return [f"The block is not complete yet: {problem}" for problem in problems], []
    venue = Venue(id="sample", name="sample", time_zone="UTC")
    try:
        layout = Layout(log, source.name, written=datetime.fromtimestamp(
            source.path.stat().st_mtime, UTC))
        first = next(
            (piece.records for piece in pieces(source, log, layout, 1 << 40, _ignore, _ignore)
             if piece.records.height), None)
    except UnreadableSourceError as error:
        return [f"It cannot be read like this yet: {error}"], []
    if first is None:
        return ["No record can be taken like this yet."], []
    figure = pl.col("value").cast(pl.Float64, strict=False)
    high = first.filter(figure.is_finite()).group_by("channel").agg(figure.median()).filter(
        pl.col("value") > HIGHEST_VOLTS)["channel"].drop_nulls().sort().to_list()[:5]
    first = first.head(SHOWN)
    if log.counts:
        shown = first.with_columns(at=pl.col("time").cast(pl.String))
        label = f"count ({log.time_format.removeprefix('boot-')} since the start)"
    else:
        shown = WallClock(venue, log, source.name).convert(first).with_columns(
            at=pl.when(pl.col("utc") > latest_possible()).then(pl.lit("in the future: "))
            .otherwise(pl.lit("")) + pl.col("utc").dt.strftime("%Y-%m-%d %H:%M:%S%.3f").fill_null(
                "cannot be read"))
        label = "time (UTC, if local time is UTC)"
    rows = [("channel", "quantity", "value", label), *(
        tuple(str(cell) if cell is not None else "-" for cell in row)
        for row in shown.select("channel", "quantity", "value", "at").iter_rows())]
    widths = [max(len(row[i][:40]) for row in rows) for i in range(4)]
    late = shown["at"].str.starts_with("in the future").any()
    return ["First records as they would be taken:", *(
        "  " + "  ".join(cell[:40].ljust(width) for cell, width in zip(
            (row[3], *row[:3]), (widths[3], *widths[:3]), strict=True)).rstrip() for row in rows),
        *([IMPOSSIBLE] if late else []),
    ], high


def _ignore(_: object) -> None:
    """Tell nobody."""
