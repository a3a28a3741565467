"""Look at log files and propose a ``[[log]]`` block, with questions where doubt is left."""

from __future__ import annotations

import codecs
import csv
import json
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from remanence.pipelines.clocks.wall_clock import WallClock
from remanence.pipelines.ingest.open_log import pieces
from remanence.pipelines.readers.json_lines import as_text, parse_object, value_at
from remanence.pipelines.readers.layout import Layout
from remanence.pipelines.readers.source import Source, UnreadableSourceError, sources_of
from remanence.pipelines.sniff.columns import Roles, find_roles
from remanence.shared.errors import RemanenceError
from remanence.shared.log_format import read_log_format
from remanence.shared.venue import Venue


def quoted(text: str) -> str:
    """A TOML string; between single quotes where backslashes would have to be doubled."""
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    escaped = "".join(
        {"\\": "\\\\", '"': '\\"'}.get(c, c) if c.isprintable() else f"\\u{ord(c):04x}"
        if ord(c) < 0x10000 else f"\\U{ord(c):08x}" for c in text)
    return f'"{escaped}"'


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else quoted(name)


def _value(value: object) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case int() | float():
            return str(value)
        case str():
            return quoted(value)
        case Mapping():
            inner = ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items())
            return f"{{ {inner} }}"
        case list() | tuple():
            return "[" + ", ".join(_value(item) for item in value) + "]"
    raise TypeError(type(value))


def block_text(keys: Mapping[str, object]) -> str:
    """The text of a ``[[log]]`` block; the channels come last, one a line."""
    lines = ["[[log]]"]
    lines += [f"{name} = {_value(value)}" for name, value in keys.items() if name != "channels"]
    channels = keys.get("channels")
    if isinstance(channels, Mapping):
        lines += ["", "[log.channels]"]
        lines += [f"{_key(name)} = {_value(value)}" for name, value in channels.items()]
    return "\n".join(lines)


SAMPLE_BYTES = 512 << 10
SHOWN = 5
LONGEST = 100_000
MOST_COLUMNS = 1000

HIGHEST_VOLTS = 60.0
"""Rails of puzzle rooms are 12 or 24 V; more is asked about. Common practice, no source."""

_TEXT_TIMES = (
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?(?:Z|[+-]\d\d:?\d\d)?",
    r"\d{1,2}[./-]\d{1,2}[./-]\d{2,4},? +\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?(?: ?[AaPp][Mm])?",
    r"\d{4}/\d\d/\d\d +\d\d:\d\d:\d\d(?:[.,]\d+)?",
    r"\d+(?:\.\d+)?",
)
_DATA = re.compile(r"\d{4}|\d:\d|^\s*[-+]?\d+([.,]\d+)?\s*$")
"""A field with this is a reading, not a column's name."""

_SYNC = r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:[.,]\d+)?(?:Z|[+-]\d\d:?\d\d)?"


@dataclass
class Proposal:
    """What one file looks like."""

    what: str
    keys: dict[str, object] = field(default_factory=dict)
    roles: Roles = field(default_factory=Roles)
    questions: list[str] = field(default_factory=list)


def sniff(files: Sequence[str | Path]) -> str:
    """Propose a ``[[log]]`` block for each file.

    Parameters
    ----------
    files : sequence of path
        Log files; of each, the beginning is read.

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


def _one(source: Source, path: Path) -> str:
    with source.open() as (stream, _):
        data = stream.read(SAMPLE_BYTES)
    if not data.strip():
        raise UnreadableSourceError(f"{source.name}: is empty")
    whole = len(data) < SAMPLE_BYTES
    proposal = _parquet(source) if data.startswith(b"PAR1") else _text(data, whole)
    proposal.keys = {"files": [path.as_posix()], "format": "csv", **proposal.keys}
    _finish(proposal)
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


# What kind of file it is.

def _text(data: bytes, whole: bool) -> Proposal:
    text, encoding = _decoded(data, whole)
    lines = text.splitlines() if whole else text.splitlines()[:-1]
    lines = [line[:LONGEST] for line in lines or text.splitlines()]
    full = [line for line in lines if line.strip()]
    objects = [parse_object(line.encode("utf-8", "replace")) for line in full[:500]]
    good = [item for item, reason in objects if not reason]
    if len(good) > 0.8 * len(objects):
        proposal = _json(good)
        proposal.keys = {"format": "jsonl", **proposal.keys}
    else:
        delimiter = _delimiter(full)
        proposal = _table(lines, delimiter) if delimiter else _free(full)
    if encoding != "utf-8":
        proposal.keys["encoding"] = encoding
        if encoding == "cp1252":
            proposal.questions.append("The text is not UTF-8; encoding cp1252 was taken. Do names "
                                      "with accents look right below?")
    return proposal


def _decoded(data: bytes, whole: bool) -> tuple[str, str]:
    for mark, name in ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16"),
                       (codecs.BOM_UTF16_BE, "utf-16")):
        if data.startswith(mark):
            decoder = codecs.getincrementaldecoder("utf-8-sig" if name == "utf-8" else name)
            return decoder("replace").decode(data), name
    try:
        return codecs.getincrementaldecoder("utf-8")().decode(data, whole), "utf-8"
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace"), "cp1252"


def _delimiter(lines: list[str]) -> str | None:
    """The character that cuts most lines into the same number of fields."""
    best, score = None, 0.0
    for delimiter in (";", "\t", ",", "|"):
        counts = Counter(line.count(delimiter) for line in lines[:1000])
        width, often = max(counts.items(), key=lambda item: (item[1], item[0]))
        if width and often / len(lines[:1000]) >= 0.6:
            value = often / len(lines[:1000]) + 0.01 * width + (0.5 if delimiter in ";\t" else 0)
            if value > score:
                best, score = delimiter, value
    return best


def _parquet(source: Source) -> Proposal:
    try:
        with source.open() as (stream, _):
            file = pq.ParquetFile(pa.PythonFile(stream, mode="r"))
            batch = next(file.iter_batches(2000), None)
    except (pa.ArrowException, OSError) as error:
        raise UnreadableSourceError(f"{source.name}: {error}") from None
    if batch is None:
        raise UnreadableSourceError(f"{source.name}: has no rows")
    frame = pl.DataFrame(pl.from_arrow(batch))
    columns = {}
    for name, kind in frame.schema.items():
        column = frame[name]
        if isinstance(kind, pl.Datetime):
            column = column.dt.strftime("%Y-%m-%dT%H:%M:%S%.6f" + ("Z" if kind.time_zone else ""))
        columns[name] = [v or "" for v in column.cast(pl.String, strict=False).to_list()]
    proposal = Proposal(f"Parquet, columns {', '.join(columns)}", {"format": "parquet"})
    proposal.roles = find_roles(columns)
    return proposal


def _json(items: list[dict[str, object]]) -> Proposal:
    keys: dict[str, None] = {}
    for item in items:
        for key in _leaves(item, ""):
            keys.setdefault(key)
    columns = {key: [as_text(value_at(item, key)) or "" for item in items] for key in keys}
    proposal = Proposal(f"JSON Lines, keys {', '.join(list(keys)[:12])}")
    proposal.roles = find_roles(columns)
    return proposal


def _leaves(item: object, path: str, depth: int = 0) -> list[str]:
    if isinstance(item, str) and item.lstrip().startswith("{") and depth < 6:
        try:
            inner = json.loads(item)
        except (ValueError, RecursionError):
            return [path]
        return _leaves(inner, path, depth + 1) if isinstance(inner, dict) else [path]
    if isinstance(item, dict) and depth < 6:
        return [leaf for key, value in item.items()
                for leaf in _leaves(value, f"{path}.{key}" if path else str(key), depth + 1)]
    if isinstance(item, list) and depth < 6:
        return [leaf for at, value in enumerate(item[:16])
                for leaf in _leaves(value, f"{path}.{at}", depth + 1)]
    return [path]


def _table(lines: list[str], delimiter: str) -> Proposal:
    widths = Counter(line.count(delimiter) for line in lines if line.strip())
    width = widths.most_common(1)[0][0]
    if width > MOST_COLUMNS:
        raise UnreadableSourceError(f"its lines have {width + 1:,} fields; that is no log")
    keys: dict[str, object] = {} if delimiter == "," else {
        "delimiter": "tab" if delimiter == "\t" else delimiter}
    records = [line for line in lines if line.count(delimiter) == width]
    comments = [c for c in ("#", "//", "%", "'") if any(line.startswith(c) for line in lines)
                and not all(line.startswith(c) for line in records)]
    if comments:
        keys["comment"] = comments[0]
        lines = ["" if line.startswith(comments[0]) else line for line in lines]
    start = next(i for i, line in enumerate(lines) if line.count(delimiter) == width)
    if any(line.strip() for line in lines[:start]):
        keys["skip_lines"] = start
    rows = [row for row in csv.reader(
        [line for line in lines[start:] if line.count(delimiter) >= width], delimiter=delimiter)
        if len(row) == width + 1]
    head = [cell.strip() for cell in rows[0]] if rows else []
    body = rows[1:]
    headed = bool(body) and not any(map(_DATA.search, head)) and any(map(_DATA.search, body[0]))
    if not headed:
        head = [f"column{n}" for n in range(1, width + 2)]
        body = rows
        keys |= {"header": False, "names": head}
    place = "with a header" if headed else "without a header"
    named = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "upright bars"}[delimiter]
    proposal = Proposal(f"CSV with {named}, {place}, {len(body):,} records looked at", keys)
    proposal.roles = find_roles({name: [row[i] for row in body] for i, name in enumerate(head)})
    return proposal


def _free(lines: list[str]) -> Proposal:
    """Free text: a time somewhere, then a name and a value."""
    lines = [line[:400] for line in lines]
    best: tuple[float, str, str] = (0.0, "", "")
    for time in _TEXT_TIMES:
        for channel, joint in ((r"[\w./-]+", r"\s*(?:[=:]|->|=>|→)\s*"), (r"[\w./-]+", r"\s+"),
                               (r"[\w./-]+", r"\s+(?:is|to|now|was|set to|changed to)\s+")):
            pattern = (rf"^\D*?(?P<time>{time})[\])>:;,\s]+(?:.*?\s)??(?P<channel>{channel}){joint}"
                       rf"(?P<value>[-+]?\w+(?:[.,]\d+)?)\s*[A-Za-z%]*\s*$")
            share = sum(bool(re.match(pattern, line)) for line in lines[:500]) / len(lines[:500])
            if share > best[0] + 0.05:
                best = (share, pattern, time)
    share, pattern, time = best
    keys: dict[str, object] = {"format": "text", "pattern": pattern}
    if not pattern:
        return Proposal("text of a kind that was not recognised", {
            "format": "text", "pattern": "^(?P<time>[^ ]+) (?P<channel>[^ ]+) (?P<value>[^ ]+)$",
        }, questions=["How is a line built up? Write a pattern with groups named time, channel "
                      "and value; the first line is: " + quoted(lines[0][:200])])
    matches = [m for line in lines[:2000] if (m := re.match(pattern, line))]
    proposal = Proposal(f"text, {share:.0%} of its lines fit one pattern", keys)
    proposal.roles = find_roles(
        {name: [m[name] for m in matches] for name in ("time", "channel", "value")})
    proposal.roles.columns = {}
    other = [line for line in lines[:500] if not re.match(pattern, line)]
    if other:
        proposal.questions.append(
            f"{len(other)} of the first {len(lines[:500])} lines do not fit the pattern, like "
            f"{quoted(other[0][:120])}. Are they records? If not, name what they have in common "
            "with ignore.")
        sync = next((line for line in other if re.search(_SYNC, line)), None)
        if sync and time == _TEXT_TIMES[-1]:
            proposal.questions.append(
                f"{quoted(sync[:120])} carries true time: give it a group named wall in the "
                "pattern, and the counter is anchored by it.")
    return proposal


# From findings to keys.

def _finish(proposal: Proposal) -> None:
    roles, keys = proposal.roles, proposal.keys
    columns = {role: name for role, name in roles.columns.items() if role != name}
    if columns:
        keys["columns"] = columns
    if roles.decimal == ",":
        keys["decimal"] = ","
    _finish_time(proposal)
    for name in ("on", "off"):
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
    if not roles.wide and "channel" not in roles.columns and keys["format"] != "text":
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
        keys["constants"] = {"date": "2026-01-31", **constants}
        forms = ("iso",)
        proposal.questions.append("Of which day are the times? Put it into constants, or take it "
                                  "out of the file's name with file_pattern and a group date.")
    if forms[0] != "iso":
        keys["time_format"] = forms[0]
    if time.kind == "counter":
        proposal.questions.append("Does the counter count milliseconds (boot-ms), microseconds "
                                  "(boot-us) or seconds (boot-s)? And what tells the true time of "
                                  "the start: a line with true time (wall), started, or the file's "
                                  "name?")
    elif len(forms) > 1:
        proposal.questions.append("Which order has the date? These fit the whole sample: "
                                  + ", ".join(forms[:6]) + f". {forms[0]} was taken.")
    if not time.zoned and not time.forms[0].startswith(("epoch", "boot")):
        proposal.questions.append(
            "Are times without an offset the venue's local time? If not, set time_zone, like "
            'time_zone = "UTC".')


def _preview(source: Source, block: str) -> tuple[list[str], list[str]]:
    """What the first records would be; and the channels whose readings are too high for volts."""
    import tomllib

    read = tomllib.loads(block)["log"][0]
    log, problems = read_log_format(read, "log", lambda *_: 0)
    if log is None:
        return [f"The block is not complete yet: {problem}" for problem in problems], []
    venue = Venue(id="sample", name="sample", time_zone="UTC")
    try:
        layout = Layout(log, source.name)
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
            at=pl.col("utc").dt.strftime("%Y-%m-%d %H:%M:%S%.3f").fill_null("cannot be read"))
        label = "time (UTC, if local time is UTC)"
    rows = [("channel", "quantity", "value", label), *(
        tuple(str(cell) if cell is not None else "-" for cell in row)
        for row in shown.select("channel", "quantity", "value", "at").iter_rows())]
    widths = [max(len(row[i][:40]) for row in rows) for i in range(4)]
    return ["First records as they would be taken:", *(
        "  " + "  ".join(cell[:40].ljust(width) for cell, width in zip(
            (row[3], *row[:3]), (widths[3], *widths[:3]), strict=True)).rstrip() for row in rows)
    ], high


def _ignore(_: object) -> None:
    """Tell nobody."""
