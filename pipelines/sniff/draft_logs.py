"""The [[log]] blocks of a venue's draft: one for each kind of file, and what is read by it."""

from __future__ import annotations

import fnmatch
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import takewhile
from pathlib import Path

import polars as pl

from remanence.pipelines.clocks.wall_clock import WallClock
from remanence.pipelines.ingest.open_log import pieces
from remanence.pipelines.readers import FORMATS
from remanence.pipelines.readers.layout import Layout
from remanence.pipelines.readers.source import Source, UnreadableSourceError
from remanence.pipelines.sniff.sniff import Proposal, propose
from remanence.pipelines.sniff.toml_text import block_text
from remanence.pipelines.sniff.who_answers import Series
from remanence.shared.log_format import LogFormat, read_log_format
from remanence.shared.venue import Venue

MOST_RECORDS = 4_000_000
"""Records of one kind of file that are looked at: weeks of a large venue."""

_UNIT_US = {"boot-s": 1e6, "boot-ms": 1e3, "boot-us": 1.0}
_RUN_US = 10**15
"""What lies between two files that count from their controller's start: longer than any run."""


@dataclass
class DraftLog:
    """One block, and what was found when its files were read by it.

    ``labels``: from a venue's channel to the log's own names of it.
    """

    keys: dict[str, object]
    channels: dict[str, object]
    sources: list[Source]
    questions: list[str]
    read: int = 0
    rejected: int = 0
    example: str = ""
    reason: str = ""
    truncated: bool = False
    labels: dict[str, list[str]] = field(default_factory=dict)


@dataclass
class LogRecords:
    """What all files say: from each channel to its records, and to its quantity if it is told."""

    series: dict[str, Series]
    quantities: dict[str, str | None]


def draft_logs(sources: Sequence[Source]) -> tuple[list[DraftLog], list[str]]:
    """One block for each kind of file; and what could not be read."""
    kinds: dict[str, list[tuple[Source, Proposal]]] = {}
    failed = []
    for source in sources:
        try:
            proposal = propose(source)
        except UnreadableSourceError as error:
            failed.append(str(error))
            continue
        kinds.setdefault(_kind(source, proposal), []).append((source, proposal))
    all_paths = [source.path.as_posix() for source in sources]
    return [_draft(members, all_paths) for members in kinds.values()], failed


def _kind(source: Source, proposal: Proposal) -> str:
    """What files of one kind have in common; their channels and words may differ."""
    same = {name: value for name, value in proposal.keys.items()
            if name not in ("channels", "on", "off", "unknown", "channel_pattern", "constants")}
    alone = "channel" in _table(proposal, "constants")
    return repr((source.path.parent, source.path.suffixes[-1:], sorted(same.items(), key=str),
                 sorted(_table(proposal, "channels")) if proposal.roles.wide else "", alone))


def _table(proposal: Proposal, name: str) -> dict[str, object]:
    found = proposal.keys.get(name, {})
    return dict(found) if isinstance(found, dict) else {}


def _draft(members: list[tuple[Source, Proposal]], all_paths: list[str]) -> DraftLog:
    sources = [source for source, _ in members]
    proposals = [proposal for _, proposal in members]
    keys: dict[str, object] = {"files": _pattern([s.path.as_posix() for s in sources], all_paths)}
    keys |= {name: value for name, value in proposals[0].keys.items()
             if name not in ("channels", "channel_pattern") and (name, value) != ("format", "csv")}
    for name in ("on", "off", "unknown"):
        words = dict.fromkeys(w for p in proposals for w in getattr(p.roles, name))
        if words:
            keys[name] = list(words)
    controller = _slug(Path(sources[0].path.name.split(".")[0]).name.split("-")[0]) or "board"
    names = sorted({name for p in proposals for name in (p.roles.wide or p.roles.channels)})
    channels = _channels(names, controller, wide=bool(proposals[0].roles.wide))
    constants = {k: v for p in proposals for k, v in _table(p, "constants").items()}
    pattern = []
    if "channel" in constants:
        constants.pop("channel")
        keys["controller"] = controller if len(sources) == 1 else "board"
        pattern.append(r"(?P<name>[^/]+?)\.[a-z.]+$")
    day = r"(?P<date>\d{4}-\d\d-\d\d)"
    if "date" in constants and all(re.search(day, s.path.name) for s in sources) and not pattern:
        constants.pop("date")
        pattern.append(day)
    keys.pop("constants", None)
    if constants:
        keys["constants"] = constants
    if pattern:
        keys["file_pattern"] = pattern[0]
    skip = ("Which of the venue's", "Which part of the topic", "No column names", "Does the switch",
            "Are times without", "Does \"")
    questions = list(dict.fromkeys(
        q for p in proposals for q in (*p.questions, *p.roles.questions) if not q.startswith(skip)))
    return DraftLog(keys, channels, sources, questions)


def _pattern(paths: list[str], all_paths: list[str]) -> list[str]:
    """A pattern that matches these files and none of the others; else the files themselves."""
    if len(paths) == 1:
        return paths
    start = "".join(_common(paths))
    end = "".join(_common([path[len(start):][::-1] for path in paths]))[::-1]
    start = re.sub(r"\d+$", "", start)
    found = f"{start}*{re.sub(r'^[0-9]+', '', end)}"
    plain = not set(found.replace("*", "", 1)) & set("*?[")
    if plain and all(fnmatch.fnmatchcase(path, found) == (path in paths) for path in all_paths):
        return [found]
    return paths


def _common(rows: Sequence[Sequence[str]]) -> list[str]:
    """What all rows begin with."""
    return [column[0] for column in takewhile(
        lambda column: len(set(column)) == 1, zip(*rows, strict=False))]


def _slug(text: str) -> str:
    return re.sub(r"[^\w.-]+", "-", text).strip("-.")


def _channels(names: list[str], controller: str, *, wide: bool) -> dict[str, object]:
    """The venue's channel for each name, each its own; none where all are CONTROLLER/NAME.

    What stands before the / is the clock, and all that one file says was stamped by one.
    """
    parts = [name.split("/") for name in names]
    same = _common([part[:-1] for part in parts]) if len(parts) > 1 else []
    if not wide and all(len(part) == 2 and not re.search(r"\s", "".join(part)) for part in parts):
        return {}
    channels: dict[str, object] = {}
    used: set[str] = set()
    for name, part in zip(names, parts, strict=True):
        tail = part[len(same):] if len(part) > 2 else part
        channel = f"{controller}/{_slug('-'.join(tail)) or 'channel'}"
        while channel in used:
            channel += "-2"
        used.add(channel)
        channels[name] = channel
    return channels


def records_of(logs: list[DraftLog]) -> LogRecords:
    """Read the files by their blocks; what was not taken is noted in each block."""
    frames = []
    for log in logs:
        block = {**log.keys, **({"channels": log.channels} if log.channels else {})}
        read = tomllib.loads(block_text(block))["log"][0]
        form, problems = read_log_format(read, "log", lambda *_: 0, FORMATS)
        if form is None:
            log.rejected, log.reason = 1, "; ".join(str(problem) for problem in problems)
            continue
        for number, source in enumerate(log.sources):
            if log.read >= MOST_RECORDS:
                log.truncated = True
                break
            try:
                frames += _read(log, form, source, number)
            except UnreadableSourceError as error:
                log.questions.append(str(error))
    if not frames:
        return LogRecords({}, {})
    table = pl.concat(frames, how="vertical").sort("at", maintain_order=True)
    series, quantities = {}, {}
    for (channel,), group in table.group_by(["channel"], maintain_order=True):
        name = str(channel)
        series[name] = Series(group["at"].to_numpy(), group["value"].to_numpy())
        said = group["quantity"].drop_nulls().unique().to_list()
        quantities[name] = said[0] if len(said) == 1 else None
    return LogRecords(series, quantities)


def _read(log: DraftLog, form: LogFormat, source: Source, number: int) -> list[pl.DataFrame]:
    venue = Venue(id="draft", name="draft", time_zone="UTC")
    written = datetime.fromtimestamp(source.path.stat().st_mtime, UTC)
    layout = Layout(form, source.name, written=written)
    clock = WallClock(venue, form, source.name)
    frames = []
    for piece in pieces(source, form, layout, 1 << 40, _ignore, _ignore):
        records = piece.records
        if form.counts:
            count = pl.col("time").cast(pl.Float64, strict=False) * _UNIT_US[form.time_format]
            records = records.with_columns(at=count.cast(pl.Int64, strict=False) + number * _RUN_US)
        else:
            records = clock.convert(records).with_columns(
                at=pl.col("utc").dt.replace_time_zone(None).cast(pl.Datetime("us")).cast(pl.Int64))
        records = _figures(records)
        lost = records.filter(pl.col("at").is_null() | pl.col("value").is_null()
                              | pl.col("channel").is_null())
        log.read += records.height + piece.rejects.height
        log.rejected += lost.height + piece.rejects.height
        if not log.example and piece.rejects.height:
            log.example, log.reason = piece.rejects["text"][0], piece.rejects["reason"][0]
        elif not log.example and lost.height:
            log.example = piece.text(lost["line"].head(1).to_list())[0]
            log.reason = "no time, channel or number in it"
        good = records.join(lost.select("line").unique(), on="line", how="anti")
        if "label" in good.columns:
            for channel, label in good.select("channel", "label").unique().iter_rows():
                known = log.labels.setdefault(channel, [])
                if label not in known:
                    known.append(label)
        frames.append(good.select("at", "channel", "quantity", "value"))
        if log.read >= MOST_RECORDS:
            break
    return frames


def _figures(records: pl.DataFrame) -> pl.DataFrame:
    """Values as numbers, in the scale of their channel; true and false are 1 and 0."""
    value = pl.col("value")
    if records.schema["value"] == pl.String:
        word = value.str.strip_chars().str.to_lowercase()
        value = pl.when(word == "true").then(1.0).when(word == "false").then(0.0).otherwise(
            word.cast(pl.Float64, strict=False))
    if "scale" in records.columns:
        value = value * pl.col("scale").fill_null(1.0) + pl.col("offset").fill_null(0.0)
    return records.with_columns(value.cast(pl.Float64).alias("value"),
                                pl.col("channel").cast(pl.String),
                                pl.col("quantity").cast(pl.String))


def _ignore(_: object) -> None:
    """Tell nobody."""


