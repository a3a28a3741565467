"""The venues of a chain: its file's paths and patterns, looked up on the disk."""

from __future__ import annotations

import glob
import os
import tomllib
from dataclasses import dataclass
from pathlib import Path

from remanence.shared.chain_file import Chain, parse_chain
from remanence.shared.errors import Problem, RemanenceError, VenueFileError
from remanence.shared.keys import shown

VENUE_FILE, CHAIN_FILE = "venue.toml", "chain.toml"


@dataclass(frozen=True)
class ChainVenue:
    """One venue of a chain.

    Attributes
    ----------
    id : str
        As its file has it; its path where that cannot be read.
    name : str
        Its path as the chain's file would write it.
    path : Path
        Its venue file.
    labels : tuple of str
        From all ``[[venue]]`` blocks that match it.
    technician : str or None
        From the last of them that names one.
    """

    id: str
    name: str
    path: Path
    labels: tuple[str, ...] = ()
    technician: str | None = None


def load_chain(given: str | Path) -> tuple[Chain, Path]:
    """Read a chain's file.

    Parameters
    ----------
    given : str or Path
        The file, or the folder it is in.

    Returns
    -------
    chain : Chain
    path : Path
        The file; what it names is relative to its folder.

    Raises
    ------
    RemanenceError
        There is no such file, or it cannot be read.
    VenueFileError
        It is at fault.
    """
    path = Path(given)
    path = path / CHAIN_FILE if path.is_dir() else path
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise RemanenceError(f"{path} does not exist; write it: a line like "
                             'venues = ["*/venue.toml"] makes a chain') from None
    except UnicodeDecodeError:
        raise RemanenceError(f"{path}: found a byte that is not UTF-8; save it as UTF-8") from None
    except OSError as error:
        raise RemanenceError(f"{path}: cannot be read: {error.strerror}") from None
    return parse_chain(text, str(path)), path


def find_venues(chain: Chain, path: Path) -> list[ChainVenue]:
    """Every venue of a chain once, in the order of their paths.

    Parameters
    ----------
    chain : Chain
        As read.
    path : Path
        Its file.

    Returns
    -------
    list of ChainVenue

    Raises
    ------
    VenueFileError
        A path or pattern matches no venue.
    RemanenceError
        Two venues have one id: they could not be told apart.
    """
    folder = path.absolute().parent
    problems: list[Problem] = []
    labels: dict[Path, dict[str, None]] = {}
    technician: dict[Path, str] = {}
    for pattern, line in (*((pattern, 0) for pattern in chain.patterns),
                          *((block.path, block.line) for block in chain.venues)):
        found = _matching(pattern, folder)
        if not found:
            problems.append(Problem(line, "", "path" if line else "venues", shown(pattern),
                                    f"no {VENUE_FILE} is there; write a path or pattern relative "
                                    f"to {folder}"))
        for venue in found:
            labels.setdefault(venue, {})
    if problems:
        raise VenueFileError(str(path), problems)
    for block in chain.venues:
        for venue in _matching(block.path, folder):
            labels[venue] |= dict.fromkeys(block.labels)
            if block.technician:
                technician[venue] = block.technician
    venues = [ChainVenue(_id_of(venue) or _name(venue, folder), _name(venue, folder), venue,
                         tuple(labels[venue]), technician.get(venue))
              for venue in sorted(labels)]
    first: dict[str, ChainVenue] = {}
    for item in venues:
        other = first.setdefault(item.id, item)
        if other is not item:
            raise RemanenceError(f"{path}: {other.path} and {item.path} have one id, "
                                 f"{shown(item.id)}; give each venue its own")
    return venues


def _matching(pattern: str, folder: Path) -> list[Path]:
    found = []
    for name in glob.glob(pattern, root_dir=folder, recursive=True):  # noqa: PTH207
        place = folder / name
        place = place / VENUE_FILE if place.is_dir() else place
        if place.is_file():
            found.append(Path(os.path.normpath(place)))
    return sorted(set(found))


def _name(venue: Path, folder: Path) -> str:
    inside = venue.parent if venue.name == VENUE_FILE else venue
    return Path(os.path.relpath(inside, folder)).as_posix()


def _id_of(venue: Path) -> str | None:
    try:
        found = tomllib.loads(venue.read_text("utf-8-sig")).get("venue", {}).get("id")
    except (OSError, ValueError, AttributeError):
        return None  # what is wrong with it is told when it is its turn
    return found if isinstance(found, str) and found.strip() else None
