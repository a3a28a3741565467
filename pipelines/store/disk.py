"""Files of ours on the disk: whole or not there, on the disk before they are named, known again.

A file that is written once has the SHA-256 of its content in its name, so that whatever
names it says what must be in it. It is checked when it is first read in a run. A text that
is replaced in place (a manifest) begins with the digest of its rest.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import threading
from collections.abc import Iterable
from pathlib import Path

from remanence.shared.errors import StoreError

UNFINISHED = "unfinished.txt"
"""Files that a writer has begun and that no manifest names yet, a path a line. What a killed
writer leaves behind is known by it, and by nothing else: no file is ours for its look."""

DRAFT = ".part"
_NAMED = re.compile(r"(?:^|-)([0-9a-f]{64})\.[a-z]+$")
_MARKED = re.compile(r"(?:(?<=[/-])w[0-9a-f]{16}-)?[0-9a-f]{64}\.[a-z]+$")
_SEAL = '{"sha256":"'
_SEALED = len(_SEAL) + 64 + len('",')
_BLOCK = 1 << 20
_CANNOT = {errno.EINVAL, errno.ENOTSUP, errno.EBADF, errno.EISDIR, errno.ENOSYS}
"""What systems answer that have no way to sync a folder."""

_checked: set[Path] = set()
_checking = threading.Lock()
_marks: dict[Path, str] = {}


def make_folder(folder: Path) -> None:
    """Make a folder and those above it; each is on the disk when this returns."""
    missing = []
    while not folder.is_dir():
        missing.append(folder)
        if folder.parent == folder:
            break
        folder = folder.parent
    for new in reversed(missing):
        new.mkdir(exist_ok=True)
        sync_folder(new.parent)


def sync_folder(folder: Path) -> None:
    """Make names in ``folder`` outlast a power cut, where the system has a way to."""
    if os.name == "nt":  # Folders cannot be opened there.
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _CANNOT:
            raise
    finally:
        os.close(handle)


def sync_file(path: Path) -> None:
    """See to it that a file's content is on the disk."""
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def replace_file(path: Path, data: bytes, *, sync: bool = True) -> None:
    """Put ``data`` in the place of a file in one step, for certain on the disk when it returns.

    Parameters
    ----------
    path : Path
        Its folder is made if missing.
    data : bytes
        The new content.
    sync : bool, default True
        False: the caller syncs the folder before anything names the file, and the file itself.

    Raises
    ------
    OSError
        It cannot be written; what was there is as it was.
    """
    make_folder(path.parent)
    draft = path.with_name(f".{path.name[:100]}.{os.getpid()}{DRAFT}")
    try:
        with draft.open("wb") as file:
            file.write(data)
            if sync:
                file.flush()
                os.fsync(file.fileno())
        draft.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            draft.unlink()
        raise
    if sync:
        sync_folder(path.parent)


def mark_names(home: Path, mark: str | None) -> None:
    """Put a mark before the digest in the names of files that are written from now on."""
    if mark is None:
        _marks.pop(home, None)
    else:
        _marks[home] = mark


def stem_of(path: str) -> str:
    """A file's name up to its digest, and to its mark."""
    return _MARKED.sub("", path)


def write_named(
    home: Path, stem: str, suffix: str, data: bytes | memoryview, *, sync: bool = True
) -> str:
    """Write a file that never changes, under a name that holds its digest.

    Parameters
    ----------
    home : Path
        The folder with the manifest that is to name it.
    stem : str
        The name up to the digest, relative to ``home``, like ``signals/2026-11-02/edges-``.
    suffix : str
        The name's end, like ``.parquet``.
    data : bytes or memoryview
        Its content.
    sync : bool, default True
        False: the caller syncs the file. The folder it is in is the caller's in any case.

    Returns
    -------
    str
        Its path relative to ``home``.
    """
    path = f"{stem}{_marks.get(home, '')}{hashlib.sha256(data).hexdigest()}{suffix}"
    target = home / path
    make_folder(target.parent)
    draft = target.with_name(f".{target.name}{DRAFT}")
    with (home / UNFINISHED).open("a", encoding="utf-8") as file:
        file.write(f"{path}\n{draft.relative_to(home).as_posix()}\n")
    try:
        with draft.open("wb") as file:  # type: ignore[assignment]
            file.write(data)  # type: ignore[arg-type]
            if sync:
                file.flush()
                os.fsync(file.fileno())
        draft.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            draft.unlink()
        raise
    with _checking:
        _checked.add(target)
    return path


def sync_names(home: Path, paths: Iterable[str]) -> None:
    """See to it that the names of new files outlast a power cut."""
    for folder in sorted({(home / path).parent for path in paths}):
        sync_folder(folder)


def unfinished(home: Path) -> list[str]:
    """What a writer began that no manifest may name, relative to ``home``."""
    try:
        lines = (home / UNFINISHED).read_text("utf-8", errors="replace").split("\n")
    except FileNotFoundError:
        return []
    # (A torn last line names nothing that is there.)
    return [line for line in lines if is_below(line)]


def nothing_unfinished(home: Path) -> None:
    """Every file begun has been named, or is known to the manifest as one to be removed."""
    with contextlib.suppress(FileNotFoundError):
        (home / UNFINISHED).unlink()


def remove(home: Path, paths: Iterable[str]) -> None:
    """Remove files of ours; one that cannot be removed stays."""
    for path in paths:
        with contextlib.suppress(OSError):
            if is_below(path):
                (home / path).unlink()


def is_below(path: object) -> bool:
    """Whether a path out of a file is a plain one below the folder that it is relative to."""
    if not isinstance(path, str) or not path or len(path) > 4096:
        return False
    parts = path.split("/")
    return path.isprintable() and not re.search(r"[\\:]", path) and all(
        part not in ("", ".", "..") for part in parts)


# Digests.


def digest_of(path: Path) -> str:
    """SHA-256 of a file's content."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def named_digest(path: Path | str) -> str | None:
    """The digest that a file's name holds; None where it is of an older program."""
    found = _NAMED.search(Path(path).name)
    return found[1] if found else None


def check(path: Path) -> None:
    """Refuse a file whose content is not what it was when it was written.

    The first look in a process reads all of it; after that it counts as checked.

    Raises
    ------
    StoreError
        It is damaged, or another file stands in its place.
    OSError
        It cannot be read.
    """
    with _checking:
        if path in _checked:
            return
    stated = named_digest(path)
    if stated is not None and digest_of(path) != stated:
        raise StoreError(
            f"{path} is damaged: its content is not what was written. See what is lost, and what "
            "can be had back, with: remanence verify VENUE")
    with _checking:
        _checked.add(path)


def forget_checks() -> None:
    """Check every file again when it is next read."""
    with _checking:
        _checked.clear()


def sealed(text: str) -> str:
    """A JSON object as text, with the digest of its text put first."""
    rest = text[1:]
    return f'{_SEAL}{hashlib.sha256(rest.encode()).hexdigest()}",{rest}'


def seal_holds(text: str) -> bool | None:
    """Whether a sealed text is as it was written; None where it bears no seal."""
    if not text.startswith(_SEAL):
        return None
    stated, rest = text[len(_SEAL):len(_SEAL) + 64], text[_SEALED:]
    return stated == hashlib.sha256(rest.encode()).hexdigest()
