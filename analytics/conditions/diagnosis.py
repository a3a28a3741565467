"""From candidates to findings: one fault is said once, by its right name, and rarely in vain.

Forty locks and a score of conditions every week are many chances to be wrong.
Every candidate brings the probability that it is real, worked out against how
rare such faults are (its prior), so that looking at many locks and many weeks
is paid for once, in the prior. What is said with an urgency of ``plan`` or
above is then the largest set of candidates whose expected share of false ones
stays below ``false_share_percent``: the Bayesian false discovery rate of Newton,
Noueiry, Sarkar and Ahlquist, Biostatistics 5 (2004) 155. The rest is ``watch``.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np

from remanence.analytics.conditions.condition import catalogue, causes_first, judges
from remanence.analytics.conditions.rail_neighbours import beyond_rail, shared_by_rail
from remanence.analytics.history import History
from remanence.shared.findings import URGENCIES, Finding, rank
from remanence.shared.venue import controller_of

LEAST_SCORE = 0.3
"""Below this a candidate is not worth a line."""

LEAST_SURE = 0.85
"""Nobody is sent for less than this, however sure everything else is."""

CAUSE_SCORE = 0.5
"""A cause explains its effects where it is as likely as not."""

BEFORE_CAUSE = timedelta(days=21)
"""An effect may be dated this much before its cause: both dates have intervals."""


def diagnose(history: History) -> list[Finding]:
    """What is to be said of the venue in the week of ``history``.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.

    Returns
    -------
    list of Finding
        Most urgent first, then surest. Look-alikes and effects of a named cause
        are not in it; the cause's ``extra["accounts_for"]`` lists them.

    Notes
    -----
    Each condition's evidence and limits stand in the catalogue; what is said is resolved by
    :func:`resolve`.
    """
    gathered = [item for judge in judges() for item in judge(history)]
    return resolve(gathered, history)


def resolve(gathered: Iterable[Finding], history: History) -> list[Finding]:
    """Say each fault once, and hold the share of false findings.

    Parameters
    ----------
    gathered : iterable of Finding
        What the judges of the :func:`catalogue` found; those with a score under 0.3 are dropped.
    history : History
        The tables they were found in.

    Returns
    -------
    list of Finding
        Most urgent first, then surest. What another finding accounts for is withheld: that
        one's ``extra["accounts_for"]`` names it.

    Notes
    -----
    Bayesian false discovery rate, as in :func:`hold_false_share`.
    """
    found = _joined(gathered)
    found = [item for item in found if item.score >= LEAST_SCORE]
    found = [*found, *shared_by_rail(found, history)]
    found = _without_named(found, history)
    found = _without_rail_effects(found, history)
    by_subject: dict[tuple[str, str], list[Finding]] = defaultdict(list)
    for item in found:
        by_subject[item.subject_kind, item.subject].append(item)
    kept = [item for group in by_subject.values() for item in _one_cause(group)]
    limit = history.venue.limits.false_share_percent / 100
    return sorted(hold_false_share(kept, limit), key=rank)


def _joined(gathered: Iterable[Finding]) -> list[Finding]:
    """One finding for each subject and condition: the surer one, with the other's evidence."""
    found: dict[tuple[str, str, str], Finding] = {}
    for item in gathered:
        key = (item.subject_kind, item.subject, item.condition)
        other = found.get(key)
        if other is None:
            found[key] = item
            continue
        first, second = (item, other) if item.score > other.score else (other, item)
        unsure = tuple(dict.fromkeys((*first.not_excluded, *second.not_excluded)))
        found[key] = replace(
            first, urgency=_most_urgent(first.urgency, second.urgency),
            # Two independent signs of the same thing.
            score=1 - (1 - first.score) * (1 - 0.5 * second.score),
            evidence=(*first.evidence, *second.evidence), not_excluded=unsure,
            says=(*first.says, *second.says), extra={**second.extra, **first.extra},
        )
    return list(found.values())


def _most_urgent(*urgencies: str) -> str:
    return min(urgencies, key=URGENCIES.index)


def _without_rail_effects(found: Sequence[Finding], history: History) -> list[Finding]:
    """A rail that sags makes all its locks slow: said once, of the rail."""
    known = catalogue()
    rails = {
        item.subject: item for item in found
        if item.subject_kind == "supply" and known[item.condition].explains_on_locks
        and item.score >= CAUSE_SCORE
    }
    kept: list[Finding] = []
    withheld: dict[str, list[str]] = defaultdict(list)
    for item in found:
        lock = history.venue.locks_by_id.get(item.subject) if item.subject_kind == "lock" else None
        rail = rails.get(lock.supply) if lock else None
        if (
            lock is None or rail is None or lock.is_magnet
            or item.condition not in known[rail.condition].explains_on_locks
            or item.extra.get("pulse_cut")
            or _before(item, rail) or beyond_rail(history, item, lock, rail)
        ):
            kept.append(item)
        else:
            withheld[rail.subject].append(item.subject)
    out = []
    for item in kept:
        slow = sorted(set(withheld.get(item.subject, ())))
        if slow and item is rails.get(item.subject):
            item = replace(item, extra={**item.extra, "accounts_for": slow})
        out.append(item)
    return out


def _without_named(found: Sequence[Finding], history: History) -> list[Finding]:
    """Without what is said only of locks of which nothing else is found, where something is.

    What is read off the venue file or the service log changes no lock.
    """
    known, locks = catalogue(), history.venue.locks_by_id
    told = {
        (item.subject_kind, item.subject) for item in found
        if not known[item.condition].only_alone and not known[item.condition].certain
    }

    def alone(item: Finding) -> bool:
        lock = locks[item.subject]
        about = {("lock", lock.id), ("supply", lock.supply), ("venue", history.venue.id)}
        about |= {("controller", controller_of(channel))
                  for channel in (lock.command, lock.contact) if channel}
        return not about & told

    return [item for item in found if not known[item.condition].only_alone or alone(item)]


def _before(effect: Finding, cause: Finding) -> bool:
    """Whether an effect surely began so long before its supposed cause that it has another one."""
    latest = effect.since_high or effect.since
    if latest is None or cause.since is None:
        return False
    return latest < cause.since - BEFORE_CAUSE


def _one_cause(group: Sequence[Finding]) -> list[Finding]:
    """Withhold what another finding of the same subject accounts for."""
    kept = {item.condition: item for item in group}
    for cause in causes_first():
        named = kept.get(cause.name)
        if named is None or named.score < CAUSE_SCORE:
            continue
        gone = []
        for effect in cause.explains:
            other = kept.get(effect)
            if other is None or _before(other, named):
                continue
            if effect in cause.takes_urgency_of:
                named = replace(named, urgency=_most_urgent(named.urgency, other.urgency))
            del kept[effect]
            gone.append(effect)
        if gone:
            told = tuple(named.extra.get("accounts_for", ()))
            named = replace(named, extra={**named.extra, "accounts_for": [*told, *gone]})
        kept[cause.name] = named
    if "over-long-energising" in kept and "hot-coil" in kept:
        # Both are said, the cause first.
        held_on, hot = kept["over-long-energising"], kept["hot-coil"]
        kept["over-long-energising"] = replace(
            held_on, urgency=_most_urgent(held_on.urgency, hot.urgency),
            score=max(held_on.score, hot.score),
        )
    return list(kept.values())


def hold_false_share(found: Sequence[Finding], limit: float) -> list[Finding]:
    """Make ``watch`` of the least sure, until the expected share of false ones is held.

    Parameters
    ----------
    found : sequence of Finding
        Their scores are the probabilities that they are real.
    limit : float
        Largest expected share of false ones among those that are not ``watch``.

    Returns
    -------
    list of Finding
        Facts first, then by falling score.

    Notes
    -----
    Newton, Noueiry, Sarkar and Ahlquist, Biostatistics 5 (2004) 155. What has a score under 0.85
    is ``watch`` however sure the rest is.
    """
    known = catalogue()
    facts = [item for item in found if known[item.condition].certain]
    doubtful = sorted(
        (item for item in found if not known[item.condition].certain), key=lambda item: -item.score
    )
    if not doubtful:
        return facts
    false_share = np.cumsum([1 - item.score for item in doubtful]) / np.arange(1, len(doubtful) + 1)
    held = []
    for item, share in zip(doubtful, false_share, strict=True):
        sure = share <= limit and item.score >= LEAST_SURE
        held.append(item if sure else replace(item, urgency="watch"))
    return facts + held
