"""A lock's state in words: the same lines on the report, the designer's and the owner's sheet."""

from __future__ import annotations

from remanence.analytics.health.lock_state import LockState
from remanence.dashboards.page import Language


def facts_of_week(known: LockState, lang: Language) -> list[str]:
    """What happened this week that no finding of the lock explains, each as a short clause."""
    week, facts = known.week, []
    if week.unanswered:
        facts.append(lang("fact.unanswered", count=week.unanswered, total=week.judged))
    if week.opened_energised:
        facts.append(lang("fact.opened_energised", count=week.opened_energised))
    for found in known.of_rail:
        wrong = lang(f"condition.{found.condition}.wrong")
        facts.append(lang("fact.rail", rail=found.subject, wrong=wrong))
    return facts


def state_reasons(known: LockState, lang: Language) -> list[str]:
    """Why a lock is in its state: its findings' titles, else too little data and what happened.

    Empty for a lock that is good.
    """
    if known.findings:
        return [lang(f"condition.{found.condition}.wrong") for found in known.findings]
    silence = [lang(f"silence.{known.silence}", count=known.week.judged).rstrip(".")
               ] if known.silence else []
    return silence + facts_of_week(known, lang)


def state_line(known: LockState, lang: Language) -> str:
    """``Do not use: Dangerous as wired``, for the terminal and for lists."""
    name, why = lang(f"state.{known.state}"), state_reasons(known, lang)
    return f"{name}: {', '.join(why)}" if why else name
