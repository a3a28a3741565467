"""Log files as streams of whole lines: plain, ``.gz``, ``.zst``, or the members of a ``.zip``."""

from __future__ import annotations

import codecs
import gzip
import io
import lzma
import struct
import zipfile
import zlib
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import IO

import numpy as np
import polars as pl

from remanence.shared.errors import RemanenceError

CHUNK_BYTES = 3 << 20
"""How much text is worked on at once."""

CHUNK_LINES = 400_000
"""And how many lines at most: lines of a byte or two are looked at one by one."""

LONGEST_LINE = 1 << 20
"""A longer line is no record; it is set aside with its beginning."""

KEPT_OF_LONG_LINE = 4096

_FEED = ord("\n")

BOMB_BYTES = 256 << 20
BOMB_RATIO = 250
"""Beyond so many bytes, text that unpacks to more than so many times its file is refused:
plain logs pack 10 to 60 times (measured on the demo's logs)."""


class UnreadableSourceError(RemanenceError):
    """A log file cannot be read, or not to its end; says what to do."""


@dataclass(frozen=True)
class Chunk:
    """Whole lines: ``lines`` of them, the first being number ``first_line``.

    ``data`` ends with a line feed, unless ``unfinished``: then it is the last line
    of the file and has no line end.
    """

    data: bytes
    first_line: int
    lines: int
    unfinished: bool = False


@dataclass(frozen=True)
class LongLine:
    """A line too long to be a record: its beginning and its length in bytes."""

    number: int
    beginning: bytes
    length: int


@dataclass(frozen=True)
class Source:
    """One log: a file, or one member of a zip archive.

    ``name`` is how the store calls it, ``path`` where it lies.
    """

    name: str
    path: Path
    member: str | None = None

    @property
    def packed(self) -> bool:
        """Whether it is compressed: such a file is written whole, its last line is complete."""
        return self.member is not None or self.path.suffix.lower() in (".gz", ".zst")

    def bytes_to_read(self) -> int:
        """How far the function that :meth:`open` gives will count; 0 where it cannot be told."""
        try:
            if self.member is not None:
                return _archive(self.path).getinfo(self.member).file_size
            return self.path.stat().st_size
        except DAMAGE:
            return 0  # told when it is opened

    @contextmanager
    def open(self) -> Iterator[tuple[IO[bytes], Callable[[], int]]]:
        """The unpacked bytes, and a function that tells how many packed ones were used.

        Raises
        ------
        UnreadableSourceError
            There is no such file, no permission, or it is damaged.
        """
        try:
            if self.member is not None:
                with _archive(self.path).open(self.member) as inner:
                    yield _unpacked(self.member, inner), inner.tell
            else:
                with self.path.open("rb") as raw:
                    yield _unpacked(self.path.name, raw), raw.tell
        except DAMAGE as error:
            raise UnreadableSourceError(f"{self.name}: {_plainly(error)}") from None


DAMAGE = (OSError, EOFError, zlib.error, lzma.LZMAError, zipfile.BadZipFile, RuntimeError,
          NotImplementedError, KeyError, IndexError, UnicodeError, struct.error)
"""What damaged files raise; of archives, all that the standard library lets through."""


def _archive(path: Path) -> zipfile.ZipFile:
    """A zip archive: its directory is read once, however many of its members are."""
    status = path.stat()
    return _opened(path, status.st_mtime_ns, status.st_size)


@lru_cache(maxsize=2)
def _opened(path: Path, modified_ns: int, size: int) -> zipfile.ZipFile:
    return zipfile.ZipFile(path)


def _plainly(error: Exception) -> str:
    if isinstance(error, FileNotFoundError):
        return "does not exist"
    if isinstance(error, PermissionError):
        return "no permission to read it"
    if isinstance(error, IsADirectoryError):
        return "is a folder; give the log files in it"
    if isinstance(error, IndexError | KeyError):
        return "is an archive's member without a name, or one that is not there; name it"
    if isinstance(error, RuntimeError | NotImplementedError):
        return f"cannot be unpacked ({error}); unpack it by hand"
    return f"cannot be read to its end, it is damaged or still being written ({error})"


def _unpacked(name: str, raw: IO[bytes]) -> IO[bytes]:
    lower = name.lower()
    if lower.endswith(".gz"):
        return gzip.GzipFile(fileobj=raw)  # type: ignore[return-value]
    if lower.endswith(".zst"):
        import pyarrow as pa

        stream: IO[bytes] = pa.CompressedInputStream(pa.PythonFile(raw, mode="r"), "zstd")
        return stream
    return raw


class Recoded:
    """A stream of text in another encoding, as UTF-8; bytes that are no text become hex codes.

    A byte-order mark decides over ``encoding``, and is taken away.
    """

    def __init__(self, stream: IO[bytes], encoding: str) -> None:
        self.stream = stream
        self.start: bytes | None = stream.read(4096)
        for mark, name in (
            (codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"),
            (codecs.BOM_UTF16_BE, "utf-16-be"),
        ):
            if self.start.startswith(mark):
                self.start, encoding = self.start.removeprefix(mark), name
        plain = codecs.lookup(encoding).name in ("utf-8", "ascii")
        self.decoder = None if plain else codecs.getincrementaldecoder(encoding)(
            "backslashreplace")

    def read(self, size: int) -> bytes:
        """The next block; empty at the end."""
        block = self.stream.read(size) if not self.start else self.start + self.stream.read(
            max(size - len(self.start), 0))
        self.start = None
        if self.decoder is None:
            return block
        text = self.decoder.decode(block, final=not block)
        while block and not text:
            block = self.stream.read(size)
            text = self.decoder.decode(block, final=not block)
        return text.encode("utf-8", "backslashreplace")


def sources_of(path: Path, name: str) -> list[Source]:
    """The logs in one file: itself, or every file in a zip archive.

    Raises
    ------
    UnreadableSourceError
        It is a folder, does not exist, or is a damaged archive.
    """
    if path.is_dir():
        raise UnreadableSourceError(f"{name}: is a folder; give the log files in it")
    if path.exists() and not path.is_file():
        raise UnreadableSourceError(f"{name}: is no file with a beginning and an end")
    if path.suffix.lower() != ".zip":
        return [Source(name, path)]
    try:
        members = [name for name in _archive(path).namelist() if not name.endswith("/")]
    except DAMAGE as error:
        raise UnreadableSourceError(f"{name}: {_plainly(error)}") from None
    return [Source(f"{name}:{member}", path, member) for member in sorted(set(members))]


def chunks(
    source: Source, stream: IO[bytes] | Recoded, packed_size: int,
    on_bytes: Callable[[bytes], None], first_line: int = 1,
) -> Iterator[Chunk | LongLine]:
    """Cut a stream into whole lines of bounded memory.

    Parameters
    ----------
    source : Source
        For messages.
    stream : binary file
        Unpacked bytes, from the beginning or from the start of a line.
    packed_size : int
        Size of the file on disk, against which a compression bomb is told.
    on_bytes : callable
        Is handed every block that was read.
    first_line : int, default 1
        Number of the line at which the stream stands.

    Raises
    ------
    UnreadableSourceError
        It unpacks to absurdly more than its size.
    """
    number, rest, total = first_line, b"", 0
    while block := stream.read(CHUNK_BYTES):
        on_bytes(block)
        total += len(block)
        if total > BOMB_BYTES and total > BOMB_RATIO * packed_size:
            raise UnreadableSourceError(
                f"{source.name}: unpacks to more than {BOMB_RATIO} times its size; this is no "
                "log. What was read before is kept; unpack it by hand if it is one"
            )
        if b"\n" not in block:
            rest += block
            if len(rest) <= LONGEST_LINE:
                continue
            number, block = yield from _pass_long_line(number, rest, stream, on_bytes)
            rest = b""
        end = block.rfind(b"\n") + 1
        if not end:
            rest += block
        else:
            data, rest = b"".join((rest, memoryview(block)[:end])), block[end:]
            count = int(np.count_nonzero(np.frombuffer(data, np.uint8) == _FEED))
            yield from _without_long_lines(data, number, count)
            number += count
    if rest:
        if len(rest) > LONGEST_LINE:
            yield LongLine(number, rest[:KEPT_OF_LONG_LINE], len(rest))
        else:
            yield Chunk(rest, number, 1, unfinished=True)


def without_lines(
    pieces: Iterable[Chunk | LongLine], skip: int, ignore: str | None
) -> Iterator[Chunk | LongLine]:
    """Blank the first ``skip`` lines, and those that ``ignore`` finds something in.

    Blank lines are passed over by every reader, and keep the lines' numbers right.
    """
    for piece in pieces:
        if isinstance(piece, LongLine):
            if piece.number > skip:
                yield piece
            continue
        data, end = piece.data, b"" if piece.unfinished else b"\n"
        if piece.first_line <= skip:
            lines = data.removesuffix(b"\n").split(b"\n")
            count = min(skip - piece.first_line + 1, len(lines))
            data = b"\n".join([b""] * count + lines[count:]) + end
        if ignore is not None:
            lines = data.removesuffix(b"\n").split(b"\n")
            words = pl.Series([line.decode("utf-8", "replace") for line in lines], dtype=pl.String)
            found = words.str.contains(ignore).to_list()
            if any(found):
                data = b"\n".join(b"" if hit else line for line, hit in zip(
                    lines, found, strict=True)) + end
        yield Chunk(data, piece.first_line, piece.lines, piece.unfinished)


def _pass_long_line(
    number: int, rest: bytes, stream: IO[bytes] | Recoded, on_bytes: Callable[[bytes], None]
) -> Generator[Chunk | LongLine, None, tuple[int, bytes]]:
    """Read on to the end of a line that is too long, keeping only its beginning."""
    beginning, length = rest[:KEPT_OF_LONG_LINE], len(rest)
    while block := stream.read(CHUNK_BYTES):
        on_bytes(block)
        end = block.find(b"\n")
        if end >= 0:
            length += end
            yield LongLine(number, beginning, length)
            return number + 1, block[end + 1 :]
        length += len(block)
    yield LongLine(number, beginning, length)
    return number + 1, b""


def _without_long_lines(data: bytes, first: int, count: int) -> Iterator[Chunk | LongLine]:
    """A chunk as it is, or in pieces around lines that are too long to be records."""
    start = position = 0
    number = piece_first = first
    if not _has_long_line(data):
        if count <= CHUNK_LINES:
            yield Chunk(data, first, count)
            return
        ends = np.flatnonzero(np.frombuffer(data, np.uint8) == _FEED)[CHUNK_LINES - 1::CHUNK_LINES]
        cuts = [0, *(ends + 1).tolist(), len(data)]
        for part, (begin, end) in enumerate(pairwise(cuts)):
            if end > begin:
                done = part * CHUNK_LINES
                yield Chunk(data[begin:end], first + done, min(CHUNK_LINES, count - done))
        return
    for line in io.BytesIO(data):
        if len(line) > LONGEST_LINE:
            if position > start:
                yield Chunk(data[start:position], piece_first, number - piece_first)
            yield LongLine(number, line[:KEPT_OF_LONG_LINE], len(line) - 1)
            start, piece_first = position + len(line), number + 1
        position += len(line)
        number += 1
    if position > start:
        yield Chunk(data[start:position], piece_first, number - piece_first)


def _has_long_line(data: bytes) -> bool:
    """Whether a line is longer than allowed: hop from limit to limit, back to the last feed."""
    start = 0
    while start + LONGEST_LINE < len(data):
        end = data.rfind(b"\n", start, start + LONGEST_LINE + 1)
        if end < 0:
            return True
        start = end + 1
    return False
