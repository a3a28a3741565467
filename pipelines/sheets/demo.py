"""``remanence demo``: the demo venue, and the whole job done on it."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from datetime import time as time_of_day
from pathlib import Path

from remanence.pipelines.say import note
from remanence.pipelines.sheets.write_files import LIST, record, recorded, remove
from remanence.shared.errors import RemanenceError
from remanence.shared.weeks import Week

_MARK = "truth.json"


def run_demo(out: Path, *, seed: int | None = None) -> str:
    """Generate the demo venue into ``out``, take its logs in, write the sheets.

    Parameters
    ----------
    out : Path
        A new or empty folder, or an earlier demo with nothing new in it, which is replaced.
    seed : int, optional
        Another course of chance; default: the documented one.

    Returns
    -------
    str
        Where to look.

    Raises
    ------
    RemanenceError
        ``out`` holds something else, or a sheet could not be written.
    """
    from remanence.pipelines.sheets import all_sheets
    from remanence.pipelines.sheets.weekly import run_weekly
    from remanence.sample_data.generate import DEFAULT_END, write_demo

    _clear(out)
    started = time.monotonic()
    note("1 of 2: half a year of games in the demo venue")
    if seed is None:
        write_demo(out)
    else:
        write_demo(out, seed=seed)
    note(f"2 of 2: taking the logs in and writing the sheets ({_since(started)})")
    # The games of the demo are dated; a machine whose clock stands earlier takes them all the same.
    played = datetime.combine(DEFAULT_END, time_of_day.max, UTC)
    outcome = run_weekly(
        out, week=Week.of(DEFAULT_END), now=max(datetime.now(UTC), played))
    if outcome.faults:
        raise RemanenceError("\n".join(outcome.faults))
    record(out, {path.relative_to(out).as_posix() for path in _files(out)})
    note(f"done ({_since(started)})")
    width = max(len(sheet.title) for sheet in all_sheets())
    pages = "\n".join(
        f"  {sheet.title:<{width}}  {outcome.sheets[sheet.name].front_page.resolve()}"
        for sheet in all_sheets())
    return (
        f"{outcome.sheets['report'].text()}\n\n"
        f"Open these in a browser; they need no network:\n{pages}\n"
        f"The venue file is {out / 'venue.toml'}; which faults were put in stands in "
        f"{out / _MARK}."
    )


def _clear(out: Path) -> None:
    if out.is_file():
        raise RemanenceError(f"{out}: found a file; give a folder with --out")
    if out.is_dir() and any(out.iterdir()):
        own = recorded(out)
        if not own:
            raise RemanenceError(
                f"{out}: found a folder that holds something else than a demo; give an empty or "
                "a new one with --out"
            )
        made = (out / LIST).stat().st_mtime_ns
        for path in _files(out):
            name = path.relative_to(out).as_posix()
            if name not in {*own, LIST} or path.lstat().st_mtime_ns > made:
                raise RemanenceError(
                    f"{out}: found {name}, which is newer than the demo there; give another folder "
                    "with --out, or remove this one")
        remove(out, own)
        (out / LIST).unlink()
    out.mkdir(parents=True, exist_ok=True)


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_symlink() or not path.is_dir())


def _since(started: float) -> str:
    return f"{time.monotonic() - started:.0f} s"
