"""Write a sheet's files into its folder, each one whole or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from remanence.shared.errors import RemanenceError


def write_files(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files below ``folder``; each is replaced whole.

    Parameters
    ----------
    folder : Path
        Made if missing.
    files : mapping
        From path below the folder to content.

    Raises
    ------
    RemanenceError
        ``folder`` is a file, or cannot be written.
    """
    if folder.exists() and not folder.is_dir():
        raise RemanenceError(f"{folder}: found a file; give a folder with --out")
    try:
        for name, content in files.items():
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            draft = target.with_name(target.name + ".part")
            draft.write_bytes(content)
            draft.replace(target)
    except OSError as error:
        raise RemanenceError(f"{folder}: cannot be written: {error.strerror}") from None
