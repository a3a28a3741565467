"""Head, middle and tail of a file: what is looked at to tell its form."""

from __future__ import annotations

from collections import deque
from typing import IO

from remanence.pipelines.readers.raw import Sample
from remanence.pipelines.readers.source import Source, UnreadableSourceError

HEAD_BYTES = 512 << 10
PART_BYTES = 128 << 10
"""Bytes of the middle, and of the tail."""


def sample_of(source: Source) -> Sample:
    """The parts of a file that are looked at, cut at the ends of lines.

    Raises
    ------
    UnreadableSourceError
        The file cannot be read, or is empty.
    """
    with source.open() as (stream, _):
        head = stream.read(HEAD_BYTES)
        if not head.strip():
            raise UnreadableSourceError(f"{source.name}: is empty")
        # In UTF-16 a line feed is two bytes, and what is no text has no lines.
        if len(head) < HEAD_BYTES or b"\x00" in head:
            return Sample(source, head, len(head) < HEAD_BYTES)
        parts = _unpacked_parts(stream) if source.packed else _parts(stream)
    whole_lines = [head[: head.rfind(b"\n") + 1] or head]
    whole_lines += [part[part.find(b"\n") + 1 : part.rfind(b"\n") + 1] for part in parts]
    return Sample(source, b"".join(whole_lines) + b"\n", True)


def _parts(stream: IO[bytes]) -> list[bytes]:
    size = stream.seek(0, 2)
    found = []
    for start in sorted({max(HEAD_BYTES, (size - PART_BYTES) // 2),
                         max(HEAD_BYTES, size - PART_BYTES)}):
        stream.seek(start)
        found.append(stream.read(PART_BYTES))
    return found


def _unpacked_parts(stream: IO[bytes]) -> list[bytes]:
    """The same of a stream that only goes forward: the middle by thinning out what was kept."""
    kept: list[tuple[int, bytes]] = []
    last: deque[bytes] = deque(maxlen=2)
    at, step = 0, 1
    while block := stream.read(PART_BYTES):
        last.append(block)
        if at % step == 0:
            kept.append((at, block))
        at += 1
        if len(kept) > 16:
            kept, step = kept[::2], step * 2
    if not kept:
        return []
    middle = min(kept, key=lambda item: abs(item[0] - at / 2))
    return [*([middle[1]] if middle[0] < at - len(last) else []), b"".join(last)]
