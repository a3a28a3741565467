"""A log that has grown: go on where the last reading stopped, if nothing before has changed.

Only logs whose lines mean the same wherever reading starts can be gone on with:
plain files in UTF-8 whose times carry their zone. Others are read from their
beginning again, which costs time and changes nothing: records that are in the
store already are not taken twice.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pipelines.readers.source import Source, UnreadableSourceError
from shared.log_format import LogFormat

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


def state_text(
    *, unfinished: bool, passed: int, header: str | None, prefix: str,
    last_times: Mapping[str, int],
) -> str:
    """What the store keeps of a reading, beside its counts."""
    return json.dumps({"unfinished": unfinished, "passed": passed, "header": header,
                       "prefix": prefix, "last": dict(last_times)})


def can_resume(source: Source, log: LogFormat) -> bool:
    """Whether such a log can be gone on with at all."""
    return (
        not source.packed and log.format in ("csv", "jsonl", "text") and not log.counts
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
        rejected=known["rejected"] - waiting, last_times=state["last"])
