"""``remanence verify``: is every file of the store as it was written, and what can be had back."""

from __future__ import annotations

from collections import Counter
from contextlib import nullcontext
from pathlib import Path

from remanence.pipelines.derive import store as derived
from remanence.pipelines.derive.derive import derive
from remanence.pipelines.ingest.ingest import ingest
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store import disk, repair
from remanence.pipelines.store import manifest as store_manifest
from remanence.pipelines.store.manifest import DamagedManifestError
from remanence.pipelines.store.remote import fetched_again, repairing
from remanence.pipelines.store.repair import Fault
from remanence.pipelines.store.store import Store
from remanence.shared.errors import RemanenceError
from remanence.shared.venue import Venue


def verify(given: str | Path, *, mend: bool = False, renamed: bool = False) -> tuple[str, bool]:
    """Check all files of a venue's store, and put right what can be.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    mend : bool, default False
        Set aside what is damaged, and have it back from earlier files and from the logs.
    renamed : bool, default False
        The venue has a new id: the store is to have it too.

    Returns
    -------
    text : str
        What to print.
    sound : bool
        Whether nothing is lost or damaged, or all of it is back.

    Raises
    ------
    RemanenceError
        There is no store, or it cannot be read or written.
    """
    venue, path = load_venue(given)
    folder = (path.parent / venue.store_folder).resolve()
    with repairing(folder) if mend else nullcontext():
        return _verify(venue, path, folder, mend=mend, renamed=renamed)


def _verify(
    venue: Venue, path: Path, folder: Path, *, mend: bool, renamed: bool
) -> tuple[str, bool]:
    lines = []
    if venue.store != venue.store_folder:
        lines += fetched_again(folder, venue.store)
    if renamed:
        before = repair.rename(folder, venue.id)
        lines.append(f'{folder}: its venue was "{before or "not named"}", and is "{venue.id}" now')
    disk.forget_checks()
    try:
        Store.open(venue, path)
        count, faults = repair.look(folder)
        if count == 0:
            raise RemanenceError(f"{folder}: there is no store yet; nothing was checked")
    except DamagedManifestError as error:
        count, faults = 1, [Fault(store_manifest.NAME, "what the store is made of", str(error))]
    made, lost = derived.look(folder)
    every = [*faults, *(Fault(f"{derived.FOLDER}/{name}", "made from the records", why)
                        for name, why in lost)]
    lines.append(f"{folder}: {count + made:,} files checked, " + (
        f"{len(every):,} missing or damaged" if every else "all as they were written"))
    lines += [f"  {fault}" for fault in every]
    if not every:
        return "\n".join(lines), True
    if not mend:
        lines.append(f"Have back what can be had with: remanence verify {path} --repair")
        return "\n".join(lines), False
    back, whole = _mend(venue, path, folder, faults)
    return "\n".join([*lines, *back]), whole


def _mend(
    venue: Venue, path: Path, folder: Path, faults: list[Fault]
) -> tuple[list[str], bool]:
    lines, whole = [], True
    if faults:
        before = repair.records_held(folder)
        repair.set_right(folder, venue.id)
        lines.append(f"set aside in {folder / repair.ASIDE}, with the reasons in {repair.REASONS}")
        if any(repair.of_records(fault.path) for fault in faults):
            summary = ingest(venue, path)
            lines.append(summary.text())
        if any(fault.path == store_manifest.NAME for fault in faults):
            lines.append("the store is made of all sound files and logs that are there; whether "
                         "records of logs that are gone are missing cannot be told")
        else:
            lost = _lost(before, repair.records_held(folder))
            whole = not lost
            lines += lost or ["everything that was lost is back"]
    derived.forget(folder)
    lines.append(derive(venue, path, Store.open(venue, path)).text())
    return lines, whole


def _lost(before: Counter[str], now: Counter[str]) -> list[str]:
    names = {"rejects": "lines that were not taken", "files": "log files known to have been read",
             "clock_events": "events of clocks", "forecasts": "forecasts"}
    return [f"LOST for good: {count - now[name]:,} " + (
        names.get(name) or (name.replace("/", " of ") if "/" in name else f"records of {name}"))
        for name, count in sorted(before.items()) if now[name] < count]
