"""A log that has grown: go on where the last reading stopped, if nothing before has changed.

Only logs whose lines mean the same wherever reading starts can be gone on with:
plain files in UTF-8 whose times carry their zone. Others are read from their
beginning again, which costs time and changes nothing: records that are in the
store already are not taken twice.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import IO, Any

from remanence.pipelines.ingest.seen import Seen
from remanence.pipelines.ingest.ticks import Ticks
from remanence.pipelines.readers import reader_of
from remanence.pipelines.readers.source import Recoded, Source, UnreadableSourceError
from remanence.shared.log_format import LogFormat

_BLOCK = 8 << 20


@dataclass(frozen=True)
class Resume:
    """Where to go on, and what was counted up to there."""

    offset: int
    first_line: int
    header: str | None
    passed: int
    lines: int
    records: int
    rejected: int
    last_times: Mapping[str, int]
    steps: Sequence[Sequence[Any]] = ()
    seen: Seen = field(default_factory=Seen)
    ticks: Ticks = field(default_factory=Ticks)


def state_text(
    *, unfinished: bool, passed: int, header: str | None, prefix: str,
    last_times: Mapping[str, int], steps: Sequence[Sequence[Any]], seen: Seen,
    ticks: Ticks, waits: bool = False,
) -> str:
    """What the store keeps of a reading, beside its counts."""
    return json.dumps({"unfinished": unfinished, "passed": passed, "header": header,
                       "prefix": prefix, "last": dict(last_times), "steps": list(steps),
                       "seen": seen.kept(), "ticks": ticks.kept(), "waits": waits})


def can_resume(source: Source, log: LogFormat) -> bool:
    """Whether such a log can be gone on with at all."""
    return (
        not source.packed and reader_of(log.format).lines is not None and not log.counts
        and log.encoding.lower() in ("utf-8", "utf8", "ascii") and "boot" not in log.columns
    )


def resume_of(
    source: Source, log: LogFormat, layout: str, size: int, known: Mapping[str, Any] | None,
    digest: Callable[[bytes], None], hexdigest: Callable[[], str],
) -> Resume | None:
    """Where to go on with a log, if its beginning is as it was.

    Parameters
    ----------
    source, log, layout, size
        The log as it is now.
    known : mapping or None
        Its row of FILES from the last reading.
    digest, hexdigest : callable
        Take in the bytes of the part that need not be read again, and tell their digest.

    Returns
    -------
    Resume or None
        None: read it from its beginning. Then ``digest`` may have taken in bytes, and
        must be begun anew.
    """
    if not known or not known["complete"] or not 0 < known["offset"] <= size:
        return None
    if known["layout"] != layout or not can_resume(source, log):
        return None
    state = json.loads(str(known["state"]))
    seen = Seen.of(state)
    if seen is None or "ticks" not in state:
        return None  # an earlier version kept no account of what is in it
    left = known["offset"]
    try:
        with source.open() as (stream, _):
            while left:
                block = stream.read(min(_BLOCK, left))
                if not block:
                    return None
                digest(block)
                left -= len(block)
    except UnreadableSourceError:
        return None
    if hexdigest() != state.get("prefix"):
        return None
    waiting = int(state["unfinished"])
    lines = known["lines"] - waiting
    return Resume(
        offset=known["offset"], first_line=state["passed"] + lines + 1, header=state["header"],
        passed=state["passed"], lines=lines, records=known["records"],
        rejected=known["rejected"] - waiting, last_times=state["last"],
        steps=state.get("steps", ()), seen=seen, ticks=Ticks(state["ticks"]))


def settled_of(
    source: Source, log: LogFormat, layout: str, size: int, known: Mapping[str, Any] | None
) -> tuple[Sequence[Sequence[Any]], int]:
    """What was found of the clocks in a log that has grown and is read from its beginning again.

    Returns the steps, and the last line that was taken with them: its times must not
    come out otherwise now. Nothing, where the log is another one than it was.
    """
    if not known or not known["complete"] or known["layout"] != layout or source.packed:
        return (), 0
    state = json.loads(str(known["state"]))
    if not state.get("steps") or known["bytes"] > size:
        return (), 0
    digest = hashlib.sha1(usedforsecurity=False)
    try:
        with source.open() as (stream, _):
            text = Recoded(
                _Beginning(stream, known["bytes"]), log.encoding)  # type: ignore[arg-type]
            while block := text.read(_BLOCK):
                digest.update(block)
    except UnreadableSourceError:
        return (), 0
    if digest.hexdigest() != known["digest"]:
        return (), 0
    return state["steps"], state["passed"] + known["lines"] - int(state["unfinished"])


class _Beginning:
    """The first bytes of a stream."""

    def __init__(self, stream: IO[bytes], size: int) -> None:
        self.stream, self.left = stream, size

    def read(self, size: int) -> bytes:
        """The next block; empty at the end of the beginning."""
        block = self.stream.read(min(size, self.left))
        self.left -= len(block)
        return block
