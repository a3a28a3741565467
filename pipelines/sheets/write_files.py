"""Write a sheet's folder as a whole, and never touch a file there that is somebody else's.

What was written stands in a small list in the folder. Only files in that list are replaced or
removed. Where the folder holds nothing else, the new one is made beside it and takes its place
in one step, so that whoever looks finds the old sheet or the new one. Where it holds something
else, the finished files take their places one by one, ``index.html`` last.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import shutil
import sys
import time
import uuid
from collections.abc import Callable, Collection, Mapping
from pathlib import Path

from remanence.pipelines.store import disk
from remanence.shared.errors import RemanenceError

LIST = ".remanence-files.json"
LEFT_OVER_S = 3600.0
"""A folder under way that is older is of a run that was killed: none takes a tenth of that."""

_EXCHANGE = 2
"""``RENAME_EXCHANGE`` of renameat2(2)."""
_HERE = -100
"""``AT_FDCWD`` of openat(2)."""
_OLDER = ("findings.json", "timing.json", "parts.json")
"""By these, a folder that was written before there were lists is known as a sheet's."""


def write_files(folder: Path, files: Mapping[str, bytes]) -> None:
    """Make a folder hold these files, and those of others that it holds already.

    Parameters
    ----------
    folder : Path
        Made if missing.
    files : mapping
        From path below the folder to content.

    Raises
    ------
    RemanenceError
        ``folder`` is a file, holds a file of somebody else under one of the names, or cannot
        be written. It is as it was then.
    """
    if folder.exists() and not folder.is_dir():
        raise RemanenceError(f"{folder}: found a file; give a folder with --out")
    try:
        _write(folder.resolve(), files)
    except OSError as error:
        raise RemanenceError(
            f"{folder}: cannot be written: {error.strerror or error}; what was there is as it was"
        ) from None


def write_file(path: Path, data: bytes) -> None:
    """Put one file in place as a whole.

    Raises
    ------
    RemanenceError
        It cannot be written; what was there is as it was.
    """
    if path.is_dir():
        raise RemanenceError(f"{path}: found a folder; give a file to write")
    whole_file(path, lambda draft: draft.write_bytes(data))


def whole_file(path: Path, write: Callable[[Path], object]) -> None:
    """Have a file written beside its place, and put it there once it is whole.

    Raises
    ------
    RemanenceError
        It cannot be written; what was there is as it was.
    """
    target = path.resolve()
    draft = target.with_name(f".{target.stem[:80]}.{os.getpid()}{target.suffix}")
    try:
        disk.make_folder(target.parent)
        write(draft)
        disk.sync_file(draft)
        draft.replace(target)
        disk.sync_folder(target.parent)
    except OSError as error:
        raise RemanenceError(
            f"{path}: cannot be written: {error.strerror or error}; what was there is as it was"
        ) from None
    finally:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)


def _write(folder: Path, files: Mapping[str, bytes]) -> None:
    own = recorded(folder)
    clash = {name for name in files if name not in own and os.path.lexists(folder / name)}
    if clash and _is_older_sheet(folder):
        own, clash = own | clash, set()
    if clash:
        raise RemanenceError(
            f"{folder}: found {', '.join(sorted(clash)[:3])}, which Remanence did not write; give "
            "another folder with --out, or move it away")
    disk.make_folder(folder.parent)
    _clear_left_over(folder)
    stage = folder.with_name(f".{folder.name}.new-{uuid.uuid4().hex[:8]}")
    try:
        _fill(stage, files)
        if not folder.exists():
            stage.rename(folder)
        elif _holds_more_than(folder, own) or not _exchanged(stage, folder):
            _one_by_one(stage, folder, files, own)
        disk.sync_folder(folder.parent)
    finally:
        remove(stage, {*files, *own, LIST})
        with contextlib.suppress(OSError):
            stage.rmdir()


def _fill(stage: Path, files: Mapping[str, bytes]) -> None:
    stage.mkdir()
    # The list comes first: whoever finds a folder left over can tell what is ours in it.
    for name, content in {LIST: _list_of(files), **files}.items():
        target = stage / name
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    for inner in {stage, *((stage / name).parent for name in files)}:
        disk.sync_folder(inner)


def _exchanged(stage: Path, folder: Path) -> bool:
    """Let two folders change places in one step, where the system has a way to."""
    if folder == Path.cwd() or folder in Path.cwd().parents:
        return False  # whoever stands in it would find himself in the one that is removed
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None) \
        if sys.platform == "linux" else None
    if call is None:
        return False
    with contextlib.suppress(OSError):
        shutil.copymode(folder, stage)
    if call(_HERE, os.fsencode(stage), _HERE, os.fsencode(folder), _EXCHANGE):
        number = ctypes.get_errno()
        if number in (errno.ENOSPC, errno.EIO, errno.EROFS):
            raise OSError(number, os.strerror(number))
        return False
    return True


def _one_by_one(
    stage: Path, folder: Path, files: Mapping[str, bytes], own: Collection[str]
) -> None:
    record(folder, {*own, *files})
    for name in sorted(files, key=lambda name: (name == "index.html", name)):
        disk.make_folder((folder / name).parent)
        (stage / name).replace(folder / name)
    for inner in {(folder / name).parent for name in files}:
        disk.sync_folder(inner)
    remove(folder, set(own) - set(files))
    record(folder, files)


def record(folder: Path, names: Collection[str]) -> None:
    """Note in a folder which files below it are ours."""
    disk.replace_file(folder / LIST, _list_of(names))


def _list_of(names: Collection[str]) -> bytes:
    text = json.dumps({"remanence": "files that remanence wrote, and may replace or remove",
                       "files": sorted(names)}, indent=1)
    return (text + "\n").encode()


def recorded(folder: Path) -> set[str]:
    """The files below ``folder`` that were written by us."""
    try:
        names = json.loads((folder / LIST).read_text("utf-8"))["files"]
        return {name for name in names if disk.is_below(name)}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return set()


def _is_older_sheet(folder: Path) -> bool:
    for name in _OLDER:
        with contextlib.suppress(OSError, ValueError, TypeError, RecursionError):
            if "remanence" in json.loads((folder / name).read_text("utf-8")):
                return not (folder / LIST).exists()
    return False


def _holds_more_than(folder: Path, own: Collection[str]) -> bool:
    """Whether there is a file, or a link, that is not ours."""
    for where, folders, names in os.walk(folder):
        here = Path(where).relative_to(folder)
        if any((Path(where) / name).is_symlink() for name in folders):
            return True
        if any((here / name).as_posix() not in own for name in names if name != LIST):
            return True
    return False


def _clear_left_over(folder: Path) -> None:
    for left in folder.parent.glob(f".{folder.name}.new-*"):
        with contextlib.suppress(OSError):
            if time.time() - left.stat().st_mtime > LEFT_OVER_S:
                _remove_own(left)


def _remove_own(folder: Path) -> None:
    remove(folder, recorded(folder))
    with contextlib.suppress(FileNotFoundError):
        (folder / LIST).unlink()
    with contextlib.suppress(OSError):
        folder.rmdir()


def remove(folder: Path, names: Collection[str]) -> None:
    """Remove files of ours, and folders that are empty without them."""
    disk.remove(folder, names)
    inner = {folder.joinpath(*Path(name).parts[:depth])
             for name in names for depth in range(1, len(Path(name).parts))}
    for empty in sorted(inner, reverse=True):
        with contextlib.suppress(OSError):
            empty.rmdir()
