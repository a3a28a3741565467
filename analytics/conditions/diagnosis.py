"""From candidates to findings: one fault is said once, by its right name, and seldom wrongly.

Forty locks and a score of conditions every week are many chances to be wrong.
Every candidate brings the probability that something is wrong, worked out against how
rare such faults are (its prior), so that looking at many locks and many weeks
is paid for once, in the prior. What asks for somebody's hands is decided by that
probability and by what missing it would cost, one finding at a time and by limits
that stand beforehand (:func:`raised`): what else was found that week says nothing of it.
By which name it goes is for all columns of the subject to say
(:mod:`remanence.analytics.conditions.cause`): that probability is its score.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta

from remanence.analytics.conditions.cause import posterior, weighed
from remanence.analytics.conditions.coarse_clock import measurable
from remanence.analytics.conditions.condition import (
    catalogue,
    causes_first,
    judges,
    last_judges,
)
from remanence.analytics.conditions.contact_wiring import contact_courses
from remanence.analytics.conditions.drawn_load import drawn_loads
from remanence.analytics.conditions.exits import cuts_on_way_out
from remanence.analytics.conditions.other_lock import (
    perhaps_replaced,
    within_the_log,
    without_swapped,
)
from remanence.analytics.conditions.rail_neighbours import beyond_rail, magnet_beyond_rail
from remanence.analytics.conditions.switch_off import outlasted
from remanence.analytics.drift.judge import drifts
from remanence.analytics.history import History, first_day, let_go
from remanence.analytics.physics.rail_load import measured_sags
from remanence.shared.findings import URGENCIES, Finding, rank
from remanence.shared.limits import Limits
from remanence.shared.venue import Lock, controller_of

LEAST_SCORE = 0.3
"""Below this a candidate is not worth a line: neither before its name is weighed, nor after that
where it is only to be watched."""

CAUSE_SCORE = 0.5
"""A cause explains its effects where it is as likely as not."""

DATES_SCORE = 0.9
"""Probability from which a sign's own beginning counts as the finding's. Assumption."""

SECOND_SIGN_WEIGHT = 0.5
"""How much of a second sign's probability counts beside the first's: two judges that look at the
same log are half independent (assumption)."""

CONTRADICTED = 0.2
"""A story that its own columns leave less than this share of the probability that it had without
them gives way to another (assumption)."""

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
    :func:`resolve`. What only judges ask about is let go of in the end: with hundreds of locks it
    is as much as the history itself.
    """
    gathered = measurable((item for judge in judges() for item in judge(history)), history)
    let_go(measured_sags, contact_courses, cuts_on_way_out)
    told = _told(_likely(gathered, history), history)
    unnamed = _unnamed(told, history)
    last = measurable(
        (item for judge in last_judges() for item in judge(history, unnamed)), history)
    said = _said(told, _likely(last, history), history)
    let_go(drawn_loads, drifts, outlasted)
    return said


def resolve(gathered: Iterable[Finding], history: History) -> list[Finding]:
    """Say each fault once, and raise what is sure enough for what it asks.

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
    What is raised: :func:`raised`. What a cause accounts for: :func:`_swallows`. What is not raised
    is watched, if its name is as likely as a candidate has to be.
    """
    known = catalogue()
    found = _likely(gathered, history)
    told = _told([item for item in found if not known[item.condition].last_judges], history)
    return _said(told, [item for item in found if known[item.condition].last_judges], history)


def _likely(gathered: Iterable[Finding], history: History) -> list[Finding]:
    """Candidates that are worth a line, each once, without those of locks that changed places."""
    return without_swapped(
        [item for item in _joined(gathered) if item.score >= LEAST_SCORE], history)


def _told(found: Sequence[Finding], history: History) -> list[Finding]:
    """Each fault by its likeliest name, with the name's own probability."""
    limits, known = history.venue.limits, catalogue()
    by_subject: dict[tuple[str, str], list[Finding]] = defaultdict(list)
    for item in _without_rail_effects(found, history, limits):
        by_subject[item.subject_kind, item.subject].append(
            item if known[item.condition].certain else weighed(item, history))
    return [item for group in by_subject.values()
            for item in _best_told(_one_cause(group, limits))]


def _said(told: Sequence[Finding], last: Sequence[Finding], history: History) -> list[Finding]:
    """What is told, and of locks without a name for their fault what the last judges found."""
    known, limits, unnamed = catalogue(), history.venue.limits, _unnamed(told, history)
    kept = _without_contradicted(
        told, {item.subject: weighed(item, history) for item in last if item.subject in unnamed})
    on_way_out = {lock.id for lock in history.venue.locks if lock.on_way_out}
    first = first_day(history)
    kept = [perhaps_replaced(
        item if known[item.condition].certain else within_the_log(item, first), history)
        for item in kept]
    said = (raised(item, limits, on_way_out) for item in kept)
    return sorted((item for item in said if _worth_a_line(item, on_way_out)), key=rank)


def _worth_a_line(item: Finding, on_way_out: Collection[str]) -> bool:
    """Whether it is raised, likely enough by its name to be watched for, or may keep people in."""
    return (item.urgency != "watch" or item.score >= LEAST_SCORE
            or (item.subject in on_way_out and catalogue()[item.condition].keeps_in))


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
        # It began when the first of its signs did, where that sign bears a date by itself.
        dated = min((one for one in (first, second)
                     if one.since is not None and one.score >= DATES_SCORE),
                    key=lambda one: one.since or date.max, default=first)
        found[key] = replace(
            first, urgency=_most_urgent(first.urgency, second.urgency),
            since=dated.since, since_low=dated.since_low, since_high=dated.since_high,
            # Two signs of the same thing, of which the second is partly independent.
            score=1 - (1 - first.score) * (1 - SECOND_SIGN_WEIGHT * second.score),
            evidence=(*first.evidence, *second.evidence), not_excluded=unsure,
            says=(*first.says, *second.says), extra={**second.extra, **first.extra},
        )
    return list(found.values())


def _most_urgent(*urgencies: str) -> str:
    return min(urgencies, key=URGENCIES.index)


def _sureness(item: Finding) -> float:
    """Probability that something is wrong with the subject, by whatever name."""
    sure: float = item.extra.get("effect_score", item.score)
    return sure


def _swallows(cause: Finding, effect: Finding, limits: Limits) -> bool:
    """Whether a cause is sure enough to be said in place of its effect.

    That something is wrong with the subject is as probable as the surer of the two. So the cause
    stands for both where it is sure enough to be raised by itself, or no less sure than the
    effect; else the effect is said, with its own probability, and the cause is its label.
    """
    return _sureness(cause) >= min(_threshold(cause, limits), _sureness(effect))


def _without_rail_effects(
    found: Sequence[Finding], history: History, limits: Limits
) -> list[Finding]:
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
            lock is None or rail is None or not _swallows(rail, item, limits)
            or (lock.is_magnet and magnet_beyond_rail(history, item, lock))
            or (lock.on_way_out and item.urgency == "now")
            or item.condition not in known[rail.condition].explains_on_locks
            or item.extra.get("pulse_cut")
            or _before(item, rail)
            or (not lock.is_magnet and beyond_rail(history, item, lock, rail))
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


def _unnamed(found: Sequence[Finding], history: History) -> set[str]:
    """The locks of which nothing is found, nor of their rail, their controllers or the venue.

    What is read off the venue file or the service log changes no lock, and a story that the
    lock's own columns contradict is no name for its fault.
    """
    known = catalogue()
    told = {
        (item.subject_kind, item.subject) for item in found
        if not known[item.condition].certain and not _contradicted(item)
    }

    def alone(lock: Lock) -> bool:
        about = {("lock", lock.id), ("supply", lock.supply), ("venue", history.venue.id)}
        about |= {("controller", controller_of(channel))
                  for channel in (lock.command, lock.contact) if channel}
        return not about & told

    return {lock.id for lock in history.venue.locks if alone(lock)}


def _without_contradicted(told: Sequence[Finding], unnamed: dict[str, Finding]) -> list[Finding]:
    """What is told; where a lock has changed in a way that no condition names, that is said.

    The story that its own columns contradict becomes its label.
    """
    known = catalogue()
    kept = []
    for item in told:
        other = unnamed.get(item.subject) if item.subject_kind == "lock" else None
        if other is None or known[item.condition].certain:
            kept.append(item)
        else:
            unnamed[item.subject] = _in_place_of(other, item)
    return kept + list(unnamed.values())


def _contradicted(item: Finding) -> bool:
    """Whether a subject's own columns make the name improbable, however rare or sure it is."""
    return _fit(item) < CONTRADICTED


def _fit(item: Finding) -> float:
    """What the columns leave of the name's probability: its score over that without a column."""
    blank = posterior(item.condition, _sureness(item), of_lock=item.subject_kind == "lock")
    return item.score / blank


def _best_told(group: Sequence[Finding]) -> list[Finding]:
    """Without the stories that a subject's columns contradict, where a likelier one tells it."""
    known = catalogue()
    best = max(group, key=lambda item: item.score)
    kept = []
    for item in group:
        related = not _before(item, best) and (
            item.condition in known[best.condition].explains
            or best.condition in known[item.condition].explains)
        if related and _contradicted(item) and not _contradicted(best):
            best = _in_place_of(best, item, label=False)
        else:
            kept.append(item)
    return [best if item.condition == best.condition else item for item in kept]


def _in_place_of(named: Finding, story: Finding, *, label: bool = True) -> Finding:
    """A finding that is told in place of a story which its columns contradict.

    That something is wrong is as sure as the surer of the two, and as urgent.
    """
    named = replace(
        named, urgency=_most_urgent(named.urgency, story.urgency),
        extra={**named.extra, "effect_score": max(_sureness(named), _sureness(story))})
    return _labelled(named, story) if label else named


def _before(effect: Finding, cause: Finding) -> bool:
    """Whether an effect surely began so long before its supposed cause that it has another one."""
    latest = effect.since_high or effect.since
    if latest is None or cause.since is None:
        return False
    return latest < cause.since - BEFORE_CAUSE


def _one_cause(group: Sequence[Finding], limits: Limits) -> list[Finding]:
    """Withhold what another finding of the same subject accounts for.

    A cause that is too unsure to stand for a real effect becomes that one's ``likely_cause``.
    """
    kept = {item.condition: item for item in group}
    fit = {item.condition: _fit(item) for item in group}
    for cause in causes_first():
        named = kept.get(cause.name)
        if named is None or _sureness(named) < CAUSE_SCORE:
            continue
        gone = []
        effects = [kept[name] for name in cause.explains
                   if name in kept and not _before(kept[name], named)]
        # A story that the columns contradict explains nothing that they bear out better.
        effects = [other for other in effects
                   if fit[cause.name] >= min(CONTRADICTED, fit[other.condition])]
        surer = [other for other in effects if not _swallows(named, other, limits)]
        if surer:
            for other in surer:
                kept[other.condition] = _labelled(other, named)
            if any(other.condition in cause.takes_urgency_of for other in surer):
                del kept[cause.name]
                continue
        for other in effects:
            if other in surer:
                continue
            effect = other.condition
            if effect in cause.takes_urgency_of:
                urgency = _most_urgent(named.urgency, other.urgency)
                surest = max(_sureness(named), _sureness(other))
                named = replace(named, urgency=urgency,
                                extra={**named.extra, "effect_score": round(surest, 3)})
            del kept[effect]
            gone.append(effect)
        if gone:
            told = tuple(named.extra.get("accounts_for", ()))
            named = replace(named, extra={**named.extra, "accounts_for": [*told, *gone]})
        kept[cause.name] = named
    if "over-long-energising" in kept and "hot-coil" in kept:
        # Both are said, the cause first.
        kept["over-long-energising"] = _in_place_of(
            kept["over-long-energising"], kept["hot-coil"], label=False)
    return list(kept.values())


def _labelled(effect: Finding, cause: Finding) -> Finding:
    """An effect with the cause that it most likely has, and how likely that is."""
    told = effect.extra.get("likely_cause")
    if told is not None and told["score"] >= cause.score:
        return effect
    return replace(
        effect,
        not_excluded=tuple(dict.fromkeys((cause.condition, *effect.not_excluded))),
        extra={**effect.extra,
               "likely_cause": {"condition": cause.condition, "score": round(cause.score, 3)}},
    )


def _threshold(item: Finding, limits: Limits) -> float:
    """The probability from which a finding of this urgency is raised."""
    percent = {"now": limits.raise_now_percent, "week": limits.raise_week_percent,
               "plan": limits.raise_plan_percent}.get(item.urgency, 0.0)
    return percent / 100


def raised(item: Finding, limits: Limits, on_way_out: Collection[str] = ()) -> Finding:
    """Leave a finding its urgency where it is sure enough for that; else make it ``watch``.

    Parameters
    ----------
    item : Finding
        Its ``effect_score``, or its score, is the probability that something is wrong.
    limits : Limits
        ``raise_now_percent``, ``raise_week_percent``, ``raise_plan_percent``, and
        ``raise_exit_percent`` for what may keep people in.
    on_way_out : collection of str, default ()
        Locks on an exit route.

    Returns
    -------
    Finding

    Notes
    -----
    Least expected cost: to raise a finding of probability p is right from t on, where leaving a
    real one for another week costs (1 - t) / t times what a false one does. The more urgent, the
    dearer to leave, so the lower t.

    What to expect of it, if those are true probabilities: of the findings just at the threshold
    a share 1 - t is false, of all that are raised fewer. Of healthy subjects no more than
    prior / (1 - prior) x (1 - t) / t are raised, since a Bayes factor's mean is 1 where there is no
    fault (Markov's inequality): with a prior of 1 in 100, in each judgement 2.5 in 1,000 for
    ``now``, 1.1 for ``week`` and 0.5 for ``plan``. That is a bound; ``python -m tests.campaign``
    measures what comes.
    """
    known = catalogue()[item.condition]
    if known.certain:
        return item
    least = _threshold(item, limits)
    if known.keeps_in and item.subject_kind == "lock" and item.subject in on_way_out:
        least = min(least, limits.raise_exit_percent / 100)
    return item if _sureness(item) >= least else replace(item, urgency="watch")
