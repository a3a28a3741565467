"""A finding's life: opened on strong evidence, kept until the log or the service log ends it.

A week's judges see what its log shows. A fault does not end because a week is thin, because the
venue is closed, or because the lock's past has come to look like the fault. So what was raised
once stands until enough commands have been as they were before it, or until a service entry says
that the lock was worked on and the log does not show it any more.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from remanence.analytics.conditions.condition import catalogue
from remanence.analytics.conditions.shown import Shown
from remanence.shared.findings import URGENCIES, Evidence, Finding, say
from remanence.shared.weeks import Week

CLEAR_BY_CHANCE = 0.05
"""It is over once so many clear commands would come with the fault less often than this."""
LEAST_CLEAR_SHARE, MOST_CLEAR_SHARE = 1e-4, 0.9
"""Bounds of the share of commands that the fault showed at, for that reckoning: no share is nought
or all (assumption)."""
CLEAR_DEFAULT = 15
"""Clear readings that end what shows at each command, or in the level of them."""
MOST_CLEAR = 150
"""However seldom it showed, after so many clear readings it is over."""
CLEAR_DAYS = 3
"""Clear days that end what is said of a rail or a controller (assumption)."""
OF_ITS_WEEK = frozenset({"log-gap", "clock-fault"})
"""Events of one week: they do not last beyond it."""
BY_VOLTS = frozenset({"coil-open", "coil-current-high", "coil-current-low", "self-cut-failed",
                      "missing-suppression", "stuck-energised", "supply-sag"})
"""What the rail's volts show of a coil that draws, or of the rail while one does."""
CURRENTS = frozenset({"coil-current-high", "coil-current-low"})
"""What a coil's own current shows, in per cent of what it drew."""
SIGNS: Mapping[str, tuple[str, ...]] = {
    "no-release": ("unanswered",), "weakening-hold": ("openings_energised",),
    "opened-unpowered": ("openings_unpowered",), "not-reclosed": ("left_open",),
    "coil-open": ("unmoved",), "stuck-energised": ("unmoved", "outlasted"),
}
"""What shows a fault by itself, however usual it has become."""
BY_PEOPLE_TOO = frozenset({"opened-unpowered", "not-reclosed"})
"""Of these, what people do as well: one of them shows no fault, only more than before it does."""
AT_EACH_COMMAND = frozenset({"coil-open", "contact-inverted", "contact-stuck"})
"""What lets no command be answered, or have it seen, while it is there."""
SLOW = frozenset({"slow-drop", "sticking-catch"})
"""What a door that opens later may be put down to."""
LASTING = ("step", "gradual")
"""Courses of what shows in each release."""
_TELLING = "median-latency"


@dataclass(frozen=True)
class Standing:
    """A finding as it stood at the end of a week, with the figures that will tell its end.

    ``sag_volts`` is the coil's median sag when it was last seen, ``clear`` the readings since
    then that were as before it, ``signs`` how many of those people may have made
    (:data:`BY_PEOPLE_TOO`), ``clear_since`` the Monday of the first week with such.
    ``serviced`` is the day of work on it after what was last seen of it had begun: nothing since
    has shown whether that helped.
    """

    finding: Finding
    sag_volts: float | None = None
    clear: int = 0
    clear_since: date | None = None
    serviced: date | None = None
    signs: int = 0


@dataclass(frozen=True)
class Lives:
    """``told``: what is to be said of the week, ended ones last; ``standing``: what goes on."""

    told: tuple[Finding, ...]
    standing: tuple[Standing, ...] = field(default=())


def lives(
    earlier: Sequence[Standing], found: Sequence[Finding], shown: Mapping[tuple[str, str], Shown],
    week: Week,
) -> Lives:
    """The week's findings with their lives.

    Parameters
    ----------
    earlier : sequence of Standing
        What stood at the end of the last week that was reported.
    found : sequence of Finding
        What the week's log says by itself.
    shown : mapping of (subject kind, subject) to Shown
        What the week could show; a subject that is not in it is no longer in the venue file.
    week : Week
        The week.

    Returns
    -------
    Lives
        Each finding with ``status``, ``first_named`` and, where it ended this week, ``ended``.
        Only a finding that is raised, or was once, goes on; what is read off papers ends with
        them.
    """
    known = catalogue()
    before = {_key(item.finding): item for item in earlier}
    found = [one for one in found
             if not any(_still_its_cause(item, one, found, shown) for item in earlier)]
    kept = [_found(item, before.get(_key(item)), earlier, week) for item in found]
    standing = [
        _stands(one, before.get(_key(one)), shown.get(_key(one)[:2], Shown())) for one in kept
        if one.urgency != "watch" and one.condition not in OF_ITS_WEEK
        and not known[one.condition].certain
    ]
    named = {_key(item) for item in found}
    ended = []
    rails = [one for one in kept if one.subject_kind == "supply" and one.urgency != "watch"]
    for item in earlier:
        key = _key(item.finding)
        seen = shown.get(key[:2])
        if key in named or seen is None or any(_same_story(item.finding, one) for one in kept):
            continue
        after = _unfound(item, seen, week, _hidden(item.finding, seen.supply, rails))
        if after.finding.status == "ended":
            ended.append(after.finding)
        else:
            kept.append(after.finding)
            standing.append(after)
    # What has no name is said only where nothing with one stands, of this week or an earlier one.
    with_name = {_key(one)[:2] for one in kept if one.urgency != "watch"
                 and not known[one.condition].certain and not known[one.condition].last_judges}

    def told(one: Finding) -> bool:
        return not known[one.condition].last_judges or _key(one)[:2] not in with_name

    return Lives(tuple(one for one in (*kept, *ended) if told(one)),
                 tuple(item for item in standing if told(item.finding)))


def _key(item: Finding) -> tuple[str, str, str]:
    return item.subject_kind, item.subject, item.condition


def _stands(item: Finding, before: Standing | None, seen: Shown) -> Standing:
    """A finding as it stands; once worked on, with its sag of the week before."""
    worked = _worked_on(item, seen)
    sag = seen.sag_volts if worked is None else before.sag_volts if before is not None else None
    return Standing(item, sag, serviced=worked)


def _worked_on(item: Finding, seen: Shown) -> date | None:
    """The week's work on the subject, unless what was found is known to have outlasted it."""
    day = seen.serviced
    if day is None or (item.since is not None and item.since > day):
        return None
    return None if item.extra.get("service", {}).get("date") == day.isoformat() else day


def _still_its_cause(
    earlier: Standing, now: Finding, found: Sequence[Finding],
    shown: Mapping[tuple[str, str], Shown],
) -> bool:
    """Whether a finding of the week is but the effect of a cause that stands.

    A week too thin to show the cause again shows its effect. While no command was answered, and
    nobody has worked on the lock, the fault keeps the name that more of the log gave it.
    """
    was = earlier.finding
    seen = shown.get(_key(was)[:2])
    return (
        seen is not None and was.condition in AT_EACH_COMMAND and was.urgency != "watch"
        and _key(was)[:2] == _key(now)[:2]
        and now.condition in catalogue()[was.condition].explains
        and not any(_key(one) == _key(was) for one in found)
        and seen.serviced is None and 0 < seen.told == seen.unanswered + seen.left_open)


def _same_story(earlier: Finding, now: Finding) -> bool:
    """Whether a finding of the week is the cause, the effect or the rail of an earlier one."""
    told = now.extra.get("accounts_for", ())
    if earlier.condition == now.condition and now.subject_kind != "lock":
        # What the same locks share, of which another week says otherwise what or whose that is.
        was = set(earlier.extra.get("accounts_for", ()))
        if earlier.subject in told or 2 * len(was & set(told)) > len(was | set(told)):
            return True
    if now.subject_kind == "supply" and earlier.subject_kind == "lock" and earlier.subject in told:
        # A rail that failed later did not make it.
        return earlier.since is None or not _failed_after(now, earlier)
    if (now.subject_kind, now.subject) != (earlier.subject_kind, earlier.subject):
        return False
    if now.urgency == "watch" != earlier.urgency:
        return False
    known = catalogue()
    likely = now.extra.get("likely_cause")
    if likely is not None and likely["condition"] == earlier.condition:
        return True  # It is told in place of that story.
    return (earlier.condition in known[now.condition].explains
            or now.condition in known[earlier.condition].explains)


def _found(
    item: Finding, before: Standing | None, earlier: Sequence[Standing], week: Week
) -> Finding:
    """A finding of the week: new, or one that goes on."""
    first = [one.finding.first_named for one in earlier
             if one.finding.first_named and (_key(one.finding) == _key(item)
                                             or _same_story(one.finding, item))]
    item = replace(item, first_named=min(first, default=week), status="new")
    if not first:
        return item
    status = "standing"
    if before is not None:
        was = before.finding
        if item.urgency == "watch" != was.urgency:
            # Less sure this week, and nothing has shown that it ended.
            item = replace(item, urgency=was.urgency)
        status = _course(was, item)
    return _told(replace(item, status=status), "life-named-first", first_named=str(min(first)))


def _course(was: Finding, now: Finding) -> str:
    """Whether it is worse, easing, or as it was, beyond what both intervals leave room for."""
    rises = URGENCIES.index(was.urgency) - URGENCIES.index(now.urgency)
    if rises:
        return "worse" if rises > 0 else "easing"
    old = {item.id: item for item in was.evidence}
    for item in now.evidence:
        other = old.get(item.id)
        if (other is None or other.now is None or None in (item.now_low, other.now_low)
                or item.now is None or item.before is None):
            continue
        up = item.now > item.before
        if item.now_low > other.now_high:  # type: ignore[operator]
            return "worse" if up else "easing"
        if item.now_high < other.now_low:  # type: ignore[operator]
            return "easing" if up else "worse"
        return "standing"
    return "standing"


def _hidden(was: Finding, supply: str | None, rails: Sequence[Finding]) -> bool:
    """Whether a rail that failed later does the same to a lock, so that its times tell nothing.

    What a lock showed beyond a rail that had failed before is held against that rail each week.
    """
    return was.condition not in SIGNS and any(
        rail.subject == supply and was.condition in catalogue()[rail.condition].explains_on_locks
        and (None in (rail.since, was.since) or _failed_after(rail, was)) for rail in rails)


def _failed_after(rail: Finding, was: Finding) -> bool:
    """Whether a rail is known to have failed after a lock's finding had begun."""
    begun = rail.since_low or rail.since
    return was.since is not None and begun is not None and was.since < begun


def _unfound(item: Standing, seen: Shown, week: Week, hidden: bool) -> Standing:
    """An earlier finding that the week's log does not show by itself."""
    was = item.finding
    by_volts = item.sag_volts is not None or was.subject_kind == "supply"
    readings = seen.told_volts if by_volts and was.condition in BY_VOLTS else seen.told
    serviced = seen.serviced or item.serviced
    if serviced is not None and (not readings or hidden or _as_before(item, seen)):
        # Worked on, and what came after does not show it: if it comes back, it is said again.
        return replace(item, finding=_told(
            replace(was, status="ended", ended=serviced), "life-mended", day=serviced))
    if seen.late_by_people and was.condition in SLOW and was.extra.get("course") in LASTING:
        # More openings have shown that the lock takes no longer than it did.
        return replace(item, finding=_told(
            replace(was, status="ended", ended=week.monday), "life-people"))
    if not readings or hidden:
        return replace(item, finding=_told(
            replace(was, status="unseen"), "life-unseen", first_named=str(was.first_named)))
    if not _as_before(item, seen):
        return replace(item, clear=0, signs=0, clear_since=None, serviced=None, finding=_told(
            replace(was, status="standing"), "life-still", first_named=str(was.first_named)))
    clear, since = item.clear + readings, item.clear_since or week.monday
    signs = item.signs + (_signs(was, seen) if was.condition in BY_PEOPLE_TOO else 0)
    needed = _needed(was, readings, signs)
    if clear >= needed:
        return replace(item, finding=_told(
            replace(was, status="ended", ended=since), "life-over", count=clear, day=since))
    return replace(item, clear=clear, signs=signs, clear_since=since, finding=_told(
        replace(was, status="easing"), "life-easing", count=clear, need=needed))


def _as_before(item: Standing, seen: Shown) -> bool:
    """Whether the week's readings are nearer to what they were before the fault than to it."""
    was = item.finding
    if was.condition in AT_EACH_COMMAND and seen.told == seen.unanswered + seen.left_open:
        return False
    count = _signs(was, seen)
    if count > 0:
        shares = _shares(was) if was.condition in BY_PEOPLE_TOO else None
        if shares is None or _log_ratio(*shares, count, seen.told) > 0:
            return False
    if was.condition in CURRENTS and item.sag_volts and seen.sag_volts:
        now = was.evidence[0].now if was.evidence else None
        if now:
            middle = item.sag_volts * (1 + 100 / now) / 2
            return seen.sag_volts < middle if now > 100 else seen.sag_volts > middle
    if was.condition == "contact-chatter" and seen.further_edges is not None:
        edges = was.evidence[0]
        if edges.now and edges.before is not None:
            return seen.further_edges < (edges.now + edges.before) / 2
    level = _level(was.evidence)
    if level is not None and was.extra.get("course") in LASTING and seen.latency_ms:
        now, before = level
        middle = math.sqrt(now * before)
        return (seen.latency_ms < middle) if now > before else (seen.latency_ms > middle)
    return True


def _signs(was: Finding, seen: Shown) -> int:
    """How often the week shows what shows this finding by itself."""
    return max((getattr(seen, sign) for sign in SIGNS.get(was.condition, ())), default=0)


def _level(evidence: Sequence[Evidence]) -> tuple[float, float] | None:
    for item in evidence:
        if item.id.startswith(_TELLING) and item.now and item.before:
            return item.now, item.before
    return None


def _needed(was: Finding, a_week: int, signs: int) -> int:
    """Clear readings after which it is over; what is counted by the week comes at some of them."""
    if was.subject_kind != "lock":
        return CLEAR_DAYS
    for item in was.evidence:
        if item.unit == "%" and item.now_low is not None and item.n and (
                item.now is not None and 0 < item.now <= 100 and was.extra.get("course") not in (
                    "step", "gradual") and was.condition not in CURRENTS):
            return _clear_of(item.now_low / 100, (item.before or 0.0) / 100, signs)
        if item.unit == "a week" and item.now_low is not None:
            return _clear_of(item.now_low / a_week)
    return CLEAR_DEFAULT


def _clear_of(share: float, before: float = 0.0, signs: int = 0) -> int:
    """Readings, with so many signs among them, that a fault of that share hardly leaves.

    ``before`` is the share of readings that showed such a sign while nothing was wrong.
    """
    share = min(max(share, LEAST_CLEAR_SHARE), MOST_CLEAR_SHARE)
    before = before if before < share else 0.0
    a_clear_one = _log_ratio(share, before, 0, 1)
    for_signs = signs * (_log_ratio(share, before, 1, 1) - a_clear_one) if signs else 0.0
    count = math.ceil((math.log(CLEAR_BY_CHANCE) - for_signs) / a_clear_one)
    return min(max(count, CLEAR_DEFAULT), MOST_CLEAR)


def _shares(was: Finding) -> tuple[float, float] | None:
    """Share of commands that showed it, and of those before it; None where it states none."""
    for item in was.evidence:
        if item.unit == "%" and item.now and item.before is not None and item.before < item.now:
            return min(item.now / 100, MOST_CLEAR_SHARE), item.before / 100
    return None


def _log_ratio(share: float, before: float, signs: int, readings: int) -> float:
    """How much likelier so many signs are with the fault than as before it (natural log).

    Of two binomial distributions (textbook).
    """
    before = max(before, LEAST_CLEAR_SHARE * share)
    signs = min(signs, readings)
    return signs * math.log(share / before) + (readings - signs) * (
        math.log1p(-share) - math.log1p(-before))


def _told(item: Finding, id: str, **values: object) -> Finding:
    """The finding with one sentence about its life, in the place of an earlier one."""
    says = tuple(one for one in item.says if not one.id.startswith("life-"))
    return replace(item, says=(*says, say(id, **values)))
