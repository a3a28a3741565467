"""A store that cannot be written can still be read: what is worked out goes to a view of it.

The view is a folder among the system's temporary ones. It links to the store's files, has a
manifest of its own, and takes what is derived and what is said of a week, which is lost with it
when the program ends. The store stays as it is.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from pathlib import Path

from remanence.pipelines.store.manifest import NAME, read_manifest, write_manifest
from remanence.pipelines.store.writer_lock import LOCK

_OWN = ("derived", "findings")
"""Folders that something is written to; the others are looked at only."""

_views: dict[Path, Path] = {}


def folder_in_use(folder: Path) -> Path:
    """The view of a store where one was made, else the store's own folder."""
    return _views.get(folder, folder)


def make_view(folder: Path) -> Path:
    """Have a store read and written through a view of it from now on, in this process.

    Raises
    ------
    OSError
        There is no room for it either.
    """
    if folder in _views:
        return _views[folder]
    view = Path(tempfile.mkdtemp(prefix="remanence-"))
    atexit.register(shutil.rmtree, view, ignore_errors=True)
    for name in sorted(os.listdir(folder)):  # noqa: PTH208 (names alone are looked at)
        if name in _OWN and (folder / name).is_dir():
            for path in (folder / name).rglob("*"):
                target = view / path.relative_to(folder)
                if path.is_dir():
                    target.mkdir(parents=True, exist_ok=True)
                elif path.name not in (NAME, LOCK):
                    target.parent.mkdir(parents=True, exist_ok=True)
                    target.symlink_to(path)
            if (folder / name / NAME).is_file():
                shutil.copyfile(folder / name / NAME, view / name / NAME)
        elif name not in (NAME, LOCK) and not name.startswith("."):
            (view / name).symlink_to(folder / name)
    held = read_manifest(folder)
    if held is not None:
        manifest = held.copy()
        manifest.retired = []  # nothing of the store is removed by way of its view
        write_manifest(view, manifest)
    _views[folder] = view
    return view


def forget_views() -> None:
    """Look at the stores themselves again."""
    _views.clear()
