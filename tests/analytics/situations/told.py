"""Play a situation, let the program judge, and say whether it was told right."""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

from remanence.analytics.conditions.diagnosis import diagnose


@dataclass(frozen=True)
class Told:
    """What was said of one situation in all judged weeks: wrong lines, and what was missed."""

    wrong: tuple[str, ...] = ()
    missed: tuple[str, ...] = ()

    @property
    def right(self):
        """Whether it was told as it ought to be."""
        return not self.wrong and not self.missed


@dataclass
class Judged:
    """Findings of some weeks."""

    log: object
    weeks: list = field(default_factory=list)

    @classmethod
    def of(cls, log, weeks):
        """Judge the log as of each of these weeks."""
        return cls(log, [(number, history, diagnose(history))
                         for number, history in log.histories(weeks)])

    def quiet(self, *, besides=(), subjects=None, kinds=("lock", "supply", "controller")):
        """Nothing is said, except of ``besides``: pairs of subject and condition, None for any."""
        wrong = []
        for number, _, found in self.weeks:
            for item in found:
                allowed = any((subject in (None, item.subject))
                              and (condition in (None, item.condition))
                              for subject, condition in besides)
                if item.subject_kind in kinds and not allowed and (
                        subjects is None or item.subject in subjects):
                    wrong.append(_line(number, item))
        return Told(wrong=tuple(wrong))

    def says(self, subject, *conditions, least=1, urgency=("now", "week", "plan", "watch")):
        """One of the conditions is said of the subject in at least so many weeks."""
        count = sum(any(item.subject == subject and item.condition in conditions
                        and item.urgency in urgency for item in found)
                    for _, _, found in self.weeks)
        if count >= least:
            return Told()
        return Told(missed=(f"{subject}: {'/'.join(conditions)} in {count} of "
                            f"{len(self.weeks)} weeks, {least} wanted",))

    def findings(self, subject):
        """All that is said of a subject."""
        return [item for _, _, found in self.weeks for item in found if item.subject == subject]


def both(*told):
    """All of these."""
    return Told(tuple(line for one in told for line in one.wrong),
                tuple(line for one in told for line in one.missed))


def _line(number, item):
    return (f"week {number}: {item.subject} {item.condition} {item.urgency} {item.score:.2f} "
            f"since {item.since}")


SITUATIONS: dict[str, Callable[[int], Told]] = {}
"""By name: plays the situation with a seed and says how it was told."""


def situation(function=None, *, name=None):
    """Enter a situation into the list."""
    if function is None:
        return partial(situation, name=name)
    SITUATIONS[name or function.__name__] = function
    return function
