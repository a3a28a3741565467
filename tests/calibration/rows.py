"""What is told of the kept venues, name by name, and whether each name is right."""

import pickle
from dataclasses import dataclass

from tests.calibration.episodes import CAUSES


@dataclass(frozen=True)
class Row:
    """One finding of one week: the judge's probability, the votes, the score, the truth."""

    seed: int
    week: int
    subject: str
    kind: str
    condition: str
    urgency: str
    judged: float
    voted: float
    score: float
    cause: str
    right: bool
    votes: dict

    @property
    def episode(self):
        """A condition of a subject, however many weeks tell it."""
        return self.seed, self.subject, self.condition


def told(path):
    """All that is told of one kept venue, but what is read off papers."""
    from remanence.analytics.conditions.cause import votes
    from remanence.analytics.conditions.columns import columns
    from remanence.analytics.conditions.condition import catalogue
    from remanence.analytics.conditions.diagnosis import resolve
    from remanence.analytics.history import History
    from remanence.shared.weeks import Week

    kept = pickle.loads(path.read_bytes())
    first, known = Week.of(kept["start"]), catalogue()
    rows = []
    for week, gathered in kept["weeks"].items():
        history = History.of(kept["venue"], first.plus(week), **kept["tables"])
        for item in resolve(gathered, history):
            if known[item.condition].certain:
                continue
            cast = {}
            if item.subject_kind == "lock":
                lock = history.venue.locks_by_id[item.subject]
                cast = votes(item.condition, columns(
                    history, lock, item.since or history.week.monday))
            cause, right = _truth(kept, item)
            rows.append(Row(
                kept["seed"], week, item.subject, item.subject_kind, item.condition,
                item.urgency, item.extra.get("effect_score", item.score), sum(cast.values()),
                item.score, cause, right, dict(cast)))
    return rows


def _truth(kept, item):
    """Name of what was put in there, and whether the condition names it."""
    causes = kept["causes"]
    if item.subject_kind in ("controller", "venue", "room"):
        if item.condition == "shared-slowing":
            falls = [name for name, (cause, *_) in causes.items() if cause == "falls"]
            return ", ".join(falls) or "none", bool(falls)
        lost = [name for name, (cause, *_) in causes.items() if "lost" in cause]
        return ", ".join(lost) or "none", bool(lost) and item.condition in (
            "lost-lines", "log-gap")
    cause, _, right = causes.get(item.subject, ("none", 0, ()))
    if item.condition == "changed-unnamed":
        # It says that something has changed which no condition names.
        return cause, cause in ("bad joint", "another part", "a clamp for the diode")
    if item.condition == "shared-slowing":
        return cause, cause == "falls"
    for known in CAUSES:
        if known.name == cause:
            right = known.right
    return cause, item.condition in right
