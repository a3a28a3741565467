"""Play and judge a venue once, and keep what came of it."""

import hashlib
import pickle
from functools import cache
from pathlib import Path

ANALYTICS = Path(__file__).parents[2] / "analytics"
NOT_JUDGES = "calibration.py", "cause.py", "columns.py", "diagnosis.py"
"""Modules that weigh what the judges found."""


@cache
def judges_digest():
    """A digest of the program that judges: what it found is kept as long as it stays."""
    found = hashlib.sha256()
    for path in sorted(ANALYTICS.rglob("*.py")):
        if path.name not in NOT_JUDGES:
            found.update(path.read_bytes())
    return found.hexdigest()[:12]


def _kept(path, make):
    """What a file holds, or what is made and then kept in it."""
    if path.exists():
        return pickle.loads(path.read_bytes())
    made = make()
    part = path.with_suffix(".part")
    part.write_bytes(pickle.dumps(made))
    part.rename(path)
    return made


def played(job):
    """Tables of one venue and its causes, kept in a file.

    Parameters
    ----------
    job : (int, Path)
        The seed, and the folder.

    Returns
    -------
    dict
        ``seed``, ``venue``, ``start``, ``causes`` and ``tables``.
    """
    from tests.calibration.episodes import play

    seed, folder = job

    def make():
        log, causes = play(seed)
        return {"seed": seed, "venue": log.venue, "start": log.scenario.start,
                "causes": causes, "tables": log.tables()}

    return _kept(folder / f"{seed}.played.pickle", make)


def judged(job):
    """The venue of :func:`played` with what its judges found, by week, as ``weeks``.

    That is kept too, for as long as the judges stay what they are.
    """
    from remanence.analytics.conditions.coarse_clock import measurable
    from remanence.analytics.conditions.condition import judges
    from remanence.analytics.history import History
    from remanence.shared.weeks import Week
    from tests.calibration.episodes import WEEKS

    seed, folder = job
    venue = played(job)

    def make():
        first = Week.of(venue["start"])
        found = {}
        for number in WEEKS:
            history = History.of(venue["venue"], first.plus(number), **venue["tables"])
            found[number] = list(measurable(
                (item for judge in judges() for item in judge(history)), history))
        return found

    return {**venue, "weeks": _kept(folder / f"{seed}.{judges_digest()}.pickle", make)}
