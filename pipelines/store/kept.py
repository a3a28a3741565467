"""What the program said, kept in the store beside the records: forecasts, and weeks' findings.

It cannot be had again from the logs. So it is named by the manifest, and replaced, as
everything else is.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from remanence.pipelines.store.disk import check, named_digest, write_named
from remanence.pipelines.store.manifest import (
    Kept,
    Manifest,
    name_files,
    read_manifest,
    write_manifest,
)
from remanence.pipelines.store.remote import again_where_lost, writing
from remanence.shared.errors import StoreError, UnwritableStoreError


@again_where_lost
def keep(folder: Path, name: str, suffix: str, data: bytes, rows: int) -> None:
    """Keep a file in the store under a name; what was kept under it before gives way.

    Parameters
    ----------
    folder : Path
        The store's.
    name, suffix : str
        Like ``findings/2026-W47`` and ``.json``.
    data : bytes
        Its content.
    rows : int
        How many things it tells.

    Raises
    ------
    UnwritableStoreError
        The store cannot be written; it is as it was.
    """
    with writing(folder):
        try:
            held = read_manifest(folder)
            if held is None:
                held = Manifest.new()
                write_manifest(folder, held)
            manifest = held.copy()
            kept = manifest.kept.get(name)
            if kept is not None and kept.rows == rows and named_digest(kept.path) == hashlib.sha256(
                    data).hexdigest() and _is_sound(folder / kept.path):
                return
            path = write_named(folder, f"{name}-", suffix, data)
            before = held.named()
            older = f"{name}{suffix}"  # an older program named it so, and no manifest did
            if name not in manifest.kept and (folder / older).is_file():
                before.add(older)
            manifest.kept[name] = Kept(path, rows)
            name_files(folder, manifest, before)
        except OSError as error:
            raise UnwritableStoreError(
                f"{folder} cannot be written: {error.strerror or error}; it is as it was") from None


def _is_sound(path: Path) -> bool:
    try:
        check(path)
    except (OSError, StoreError):
        return False
    return path.is_file()


def kept_file(
    folder: Path, name: str, suffix: str, manifest: Manifest | None = None
) -> Path | None:
    """Where what was kept under a name lies, checked; None where there is nothing.

    ``manifest`` is the one to go by, where whoever asks has read it already.

    Raises
    ------
    StoreError
        The store, or the file, is damaged.
    OSError
        It cannot be read.
    """
    manifest = manifest or read_manifest(folder)
    kept = manifest.kept.get(name) if manifest else None
    older = folder / f"{name}{suffix}"
    path = folder / kept.path if kept else older if older.is_file() else None
    if path is not None:
        check(path)
    return path
