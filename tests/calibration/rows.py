"""What is told of the kept venues, name by name, and whether each name is right."""

from dataclasses import dataclass

UNNAMED = "bad joint", "another part", "a clamp for the diode"
"""Causes that no condition of the catalogue names."""


@dataclass(frozen=True)
class Row:
    """One finding of one week: the judge's probability, what columns say, the score, the truth.

    ``said`` is what each column says for the name, ``rivals`` the same of the lock's other stories.
    """

    seed: int
    week: int
    subject: str
    kind: str
    condition: str
    urgency: str
    judged: float
    score: float
    cause: str
    right: bool
    said: dict
    rivals: tuple

    @property
    def episode(self):
        """A condition of a subject, however many weeks tell it."""
        return self.seed, self.subject, self.condition


def told(kept):
    """All that is told of one kept venue, but what is read off papers."""
    from remanence.analytics.conditions.cause import STORIES, ratios, rivals
    from remanence.analytics.conditions.columns import columns
    from remanence.analytics.conditions.condition import catalogue
    from remanence.analytics.conditions.diagnosis import resolve
    from remanence.analytics.history import History
    from remanence.shared.weeks import Week

    first, known = Week.of(kept["start"]), catalogue()
    rows = []
    for week, gathered in kept["weeks"].items():
        history = History.of(kept["venue"], first.plus(week), **kept["tables"])
        for item in resolve(gathered, history):
            if known[item.condition].certain:
                continue
            said, others = {}, ()
            if item.subject_kind == "lock" and item.condition in STORIES:
                lock = history.venue.locks_by_id[item.subject]
                shown = columns(history, lock, item.since or history.week.monday)
                said = dict(ratios(item.condition, shown))
                others = tuple(dict(one) for one in rivals(item.condition, lock, shown))
            cause, right = _truth(kept, item)
            rows.append(Row(
                kept["seed"], week, item.subject, item.subject_kind, item.condition,
                item.urgency, item.extra.get("effect_score", item.score), item.score, cause, right,
                said, others))
    return rows


def _truth(kept, item):
    """Name of what was put in there, and whether the condition names it."""
    causes = kept["causes"]
    cause, _, right = causes.get(item.subject, ("none", 0, ()))
    if item.subject_kind == "venue" and item.condition == "log-gap":
        both = [causes.get(name, ("none",))[0] for name in ("plc0", "plc1")]
        return ", ".join(both), all(name == "log gap" for name in both)
    if item.condition == "shared-slowing":
        falls = [name for name, (cause, *_) in causes.items() if cause == "falls"]
        return ", ".join(falls) or "none", bool(falls)
    if item.condition == "changed-unnamed":
        # It says that something has changed which no condition names.
        return cause, any(name in cause for name in UNNAMED)
    return cause, item.condition in right
