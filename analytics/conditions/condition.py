"""A condition: what can be said of a lock, a rail or a controller, and who judges it.

One object holds all that the program knows of a condition but its words, which stand with the
pages' words under ``condition.NAME``, ``check.NAME``, ``figure.ID`` and ``says.ID``.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from remanence.shared.added import added, added_names, taken
from remanence.shared.findings import Evidence, Finding, Sentence

if TYPE_CHECKING:  # The venue file is checked without loading what reads tables.
    from remanence.analytics.history import History

_GROUP = "remanence.conditions"

PULSED = ("latch", "bolt", "strike")
ANY = ("magnet", *PULSED)

Judge = Callable[["History"], list[Finding]]
LastJudge = Callable[["History", Collection[str]], list[Finding]]


@dataclass(frozen=True)
class Condition:
    """One condition of the catalogue.

    Attributes
    ----------
    name : str
        Its fixed name, which other programs read.
    judges : tuple of function
        Each takes a :class:`History` and gives findings. A judge that several conditions share
        runs once.
    figures : tuple of str
        Ids of the figures that its findings may show.
    subject_kinds : tuple of str
        Of what it is said: ``lock``, ``supply``, ``controller``, ``room``, ``part``, ``venue``.
    mechanisms : tuple of str
        Of which locks.
    explains : tuple of str
        Conditions of the same subject that are its effects or look like it. Where it is found
        they are withheld, so that a fault is said once. Trade knowledge, no published source.
    explains_on_locks : tuple of str
        The same of the locks of a rail that has this condition.
    takes_urgency_of : tuple of str
        Which of those are real: their urgency goes over to the cause.
    last_judges : tuple of function
        Asked when all others have judged. Each takes a :class:`History` and the locks of which
        nothing else is found, nor of their rails or controllers: any of that would explain what
        these look for.
    needs_part : bool
        Whether it takes a new lock to mend it. What a setting, a wire, a rail or a habit
        explains does not.
    keeps_in : bool
        On an exit route it may keep people in: missing it costs more than anything else.
    weighs_its_name : bool
        Its judges weigh it against all else that it could be: their score is the name's, and
        nothing is added that played venues taught. ``extra["effect_score"]`` says how sure it is
        that something is wrong, where that is surer.
    certain : bool
        Read off the venue file or the service log: there is nothing to be unsure of.
    """

    name: str
    judges: tuple[Judge, ...]
    figures: tuple[str, ...]
    subject_kinds: tuple[str, ...] = ("lock",)
    mechanisms: tuple[str, ...] = ANY
    explains: tuple[str, ...] = ()
    explains_on_locks: tuple[str, ...] = ()
    takes_urgency_of: tuple[str, ...] = ()
    last_judges: tuple[LastJudge, ...] = ()
    needs_part: bool = False
    keeps_in: bool = False
    weighs_its_name: bool = False
    certain: bool = False


def finding(
    subject: str, condition: str, urgency: str, score: float, *,
    says: Sequence[Sentence], evidence: Sequence[Evidence] = (), since: date | None = None,
    since_low: date | None = None, since_high: date | None = None,
    not_excluded: Sequence[str] = (), subject_kind: str = "lock",
    extra: Mapping[str, Any] | None = None,
) -> Finding:
    """A finding, its score kept off certainty: no log proves anything beyond doubt."""
    return Finding(
        subject=subject, subject_kind=subject_kind, condition=condition, urgency=urgency,
        score=min(max(float(score), 0.0), 0.999), since=since, since_low=since_low,
        since_high=since_high, evidence=tuple(evidence), not_excluded=tuple(not_excluded),
        says=tuple(says), extra=dict(extra or {}),
    )


Work = tuple[date, str, int | None]
"""Work on a lock after which its fault is there again: day, action, and the weeks until it came
back, None where it never went."""


def failed_repair(work: Work | None) -> dict[str, Any]:
    """The work on a lock that did not help, or not for long, as a finding's ``extra`` holds it."""
    if work is None:
        return {}
    day, action, weeks = work
    told: dict[str, Any] = {"date": day.isoformat(), "action": action, "helped": weeks is not None}
    if weeks is not None:
        told["came_back_after_weeks"] = weeks
    return {"service": told}


@lru_cache(maxsize=1)
def catalogue() -> Mapping[str, Condition]:
    """Every condition by name, in the order of the names.

    Whatever :class:`Condition` a module of this package holds is one: a new condition is a
    module with its object, and nothing else needs to know of it. An installed package adds one by
    an entry point of the group ``remanence.conditions``.

    Returns
    -------
    mapping of str to Condition

    Raises
    ------
    ValueError
        Two modules hold conditions of one name, or one explains a condition that is not there.
    """
    package = importlib.import_module(__package__ or "")
    found: dict[str, Condition] = {}
    for entry in sorted(pkgutil.iter_modules(package.__path__), key=lambda item: item.name):
        module = importlib.import_module(f"{package.__name__}.{entry.name}")
        for item in vars(module).values():
            if not isinstance(item, Condition):
                continue
            if found.setdefault(item.name, item) is not item:
                raise ValueError(f"two conditions are named {item.name!r}")
    for name in added_names(_GROUP):
        item = added(_GROUP, name, Condition)
        if item.name in found:
            raise taken(_GROUP, name)
        found[item.name] = item
    for item in found.values():
        for other in (*item.explains, *item.explains_on_locks, *item.takes_urgency_of):
            if other not in found:
                raise ValueError(f"{item.name!r} explains {other!r}, which is no condition")
    return dict(sorted(found.items()))


@lru_cache(maxsize=1)
def causes_first() -> tuple[Condition, ...]:
    """The conditions that explain others, the one with the widest effects first.

    A cause stands before its effects, as it explains all that they explain. Two that explain
    each other go by the number of conditions that each explains itself.
    """
    known = catalogue()

    def effects(name: str, seen: frozenset[str] = frozenset()) -> frozenset[str]:
        for other in known[name].explains:
            if other not in seen:
                seen = effects(other, seen | {other})
        return seen

    causes = [item for item in known.values() if item.explains]
    return tuple(sorted(
        causes, key=lambda item: (-len(effects(item.name)), -len(item.explains), item.name)))


def judges() -> tuple[Judge, ...]:
    """Every judge once, but for :func:`last_judges`."""
    return tuple(dict.fromkeys(judge for item in catalogue().values() for judge in item.judges))


def last_judges() -> tuple[LastJudge, ...]:
    """Every judge that is asked last, once."""
    return tuple(dict.fromkeys(
        judge for item in catalogue().values() for judge in item.last_judges))
