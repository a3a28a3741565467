"""Which log files there are, and by which ``[[log]]`` block each is read."""

from __future__ import annotations

import fnmatch
import glob
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from remanence.pipelines.readers import all_readers
from remanence.pipelines.readers.source import Source, UnreadableSourceError, sources_of
from remanence.shared.errors import RemanenceError
from remanence.shared.live_source import RECORDED
from remanence.shared.log_format import LogFormat
from remanence.shared.venue import Venue


def file_name(path: Path, folder: Path) -> str:
    """How the store calls a file: relative to the venue file's folder where it lies below it.

    Bytes of a name that are no UTF-8 are shown as backslash, x, hex.
    """
    absolute = path.absolute()
    with suppress(ValueError):
        absolute = absolute.relative_to(folder.absolute())
    return os.fsencode(absolute.as_posix()).decode("utf-8", "backslashreplace")


def find_logs(
    venue: Venue, folder: Path, given: Sequence[str | Path] | None
) -> tuple[list[tuple[Source, LogFormat]], list[str], list[str]]:
    """Every log to read, with its block.

    Parameters
    ----------
    venue : Venue
        Whose logs.
    folder : Path
        The venue file's.
    given : sequence of path, or None
        Files named on the command line; None: all that the venue file names.

    Returns
    -------
    logs : list of (Source, LogFormat)
        Each file once, in the order of the blocks, then by name.
    faults : list of str
        Files that cannot be read.
    notes : list of str
        What a person should know: patterns without files, files without a block.

    Raises
    ------
    RemanenceError
        Two blocks match one file.
    """
    notes: list[str] = []
    if given:
        chosen = [(Path(item), block_of(Path(item), venue, folder, notes)) for item in given]
    else:
        chosen = []
        for log in venue.all_logs:
            count = len(chosen)
            for pattern in log.files:
                found = sorted(glob.glob(pattern, root_dir=folder, recursive=True))  # noqa: PTH207
                chosen += [(folder / name, log) for name in found]
            if len(chosen) == count and log.format == RECORDED:
                notes.append(f"nothing is recorded yet in {log.files[0]} (venue file, line "
                             f"{log.line}); start remanence record")
            elif len(chosen) == count:
                notes.append(f"no file matches {' or '.join(map(repr, log.files))} (venue file, "
                             f"line {log.line})")
        if not venue.all_logs:
            notes.append("the venue file has no [[log]] and no [[source]] block, so there is "
                         "nothing to read")
    store = (folder / venue.store_folder).absolute()
    logs: dict[str, tuple[Source, LogFormat]] = {}
    faults: list[str] = []
    for path, log in chosen:
        name = file_name(path, folder)
        if not given and (path.is_dir() or store in path.absolute().parents):
            continue
        try:
            for source in sources_of(path, name):
                other = logs.setdefault(source.name, (source, log))[1]
                if other.line != log.line:
                    raise _claimed_twice(source.name, other, log)
        except UnreadableSourceError as error:
            faults.append(str(error))
    return list(logs.values()), faults, notes


def _claimed_twice(name: str, one: LogFormat, other: LogFormat) -> RemanenceError:
    """What is said of a file that two blocks want: either alone would leave out the other's."""
    return RemanenceError(
        f"{name}: two [[log]] blocks of the venue file match it, those of lines {one.line} and "
        f"{other.line} (files {' '.join(map(repr, one.files))} and "
        f"{' '.join(map(repr, other.files))}); narrow the patterns so that one block matches, or "
        "put what both describe into one block")


def block_of(path: Path, venue: Venue, folder: Path, notes: list[str]) -> LogFormat:
    """The block that a file given by name is read by; one without is noted, and read as default."""
    name = file_name(path, folder) if path.is_absolute() or path.exists() else path.as_posix()
    fitting = [log for log in venue.all_logs if any(
        _matches(name, pattern)
        or _matches(path.absolute().as_posix(), (folder / pattern).absolute().as_posix())
        for pattern in log.files)]
    if len(fitting) > 1:
        raise _claimed_twice(name, *fitting[:2])
    if fitting:
        return fitting[0]
    suffixes = [s.lower() for s in path.suffixes]
    formats = {ending: name for name, reader in all_readers().items() for ending in reader.endings}
    form = next((formats[s] for s in reversed(suffixes) if s in formats), "csv")
    notes.append(f"{name} matches no [[log]] block; it was read as {form} in the default layout")
    return replace(LogFormat(files=(name,)), format=form)


def _matches(name: str, pattern: str) -> bool:
    """Whether a glob pattern takes in a name; ``*`` stays within one folder, ``**`` does not."""
    parts, wanted = name.split("/"), pattern.split("/")

    def fits(i: int, j: int) -> bool:
        if j == len(wanted):
            return i == len(parts)
        if wanted[j] == "**":
            return any(fits(k, j + 1) for k in range(i, len(parts) + 1))
        return i < len(parts) and fnmatch.fnmatchcase(parts[i], wanted[j]) and fits(i + 1, j + 1)

    return fits(0, 0)
