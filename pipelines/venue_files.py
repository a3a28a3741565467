"""Find and read a venue file."""

from __future__ import annotations

from pathlib import Path

from shared.errors import RemanenceError
from shared.venue import Venue
from shared.venue_file import parse_venue


def venue_file(given: str | Path) -> Path:
    """The venue file itself, from its path or the folder it is in.

    Raises
    ------
    RemanenceError
        There is no such file.
    """
    path = Path(given)
    if path.is_dir():
        path = path / "venue.toml"
    if not path.is_file():
        folder = " (a folder without a venue.toml in it)" if path.parent.is_dir() else ""
        raise RemanenceError(f"{path} does not exist{folder}; give the venue file or its folder")
    return path


def load_venue(given: str | Path) -> tuple[Venue, Path]:
    """Read and check a venue file.

    Parameters
    ----------
    given : str or Path
        The file, or the folder it is in.

    Returns
    -------
    venue : Venue
    path : Path
        The file; what it names is relative to its folder.

    Raises
    ------
    RemanenceError
        The file cannot be read.
    VenueFileError
        The file is at fault.
    """
    path = venue_file(given)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise RemanenceError(
            f"{path}, line {line}: found a byte that is not UTF-8; save the file as UTF-8"
        ) from None
    except OSError as error:
        raise RemanenceError(f"{path}: cannot be read: {error.strerror}") from None
    return parse_venue(text, str(path)), path
