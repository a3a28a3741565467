"""Locks fired together, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from remanence.analytics.timing.model import TimingRail
from remanence.analytics.timing.together import GroupAnswer, RailAnswer
from remanence.dashboards.page import Language
from remanence.dashboards.timing_formats import ms


def group_lines(
    group: GroupAnswer, rails: Mapping[str, TimingRail], lang: Language
) -> dict[str, Any]:
    """One group: first opening to last, the delays that bring them together, the rails."""

    def pair(key: str, median: float | None, most: float | None, **more: Any) -> str:
        return lang(key, median=ms(median, lang), most=ms(most, lang), **more)

    joint = group.joint
    lines: list[tuple[str, str | list[str]]] = []
    spread = []
    if joint is not None and joint.median_ms is not None:
        spread.append(pair("timing.group.spread_seen", joint.median_ms, joint.most_ms,
                           count=joint.all_opened))
        if joint.commands_apart_ms is not None and joint.commands_apart_ms >= 1:
            spread.append(pair("timing.group.spread_at_once", joint.at_once_median_ms,
                               joint.at_once_most_ms, apart=ms(joint.commands_apart_ms, lang)))
    elif joint is not None and not joint.all_opened:
        spread.append(lang("timing.group.spread_clocks"))
    if group.spread_median_ms is not None:
        spread.append(pair("timing.group.spread_worked", group.spread_median_ms,
                           group.spread_most_ms))
    else:
        spread.append(lang("timing.group.spread_unknown"))
    lines.append((lang("timing.group.spread"), spread))
    if group.aligned_median_ms is not None:
        delays = ", ".join(
            f"{lock} +{ms(delay, lang)}"
            for lock, delay in zip(group.locks, group.delays_ms, strict=True) if delay > 0
        ) or lang("timing.group.no_delay")
        verdict = lang("timing.group.one_event" if group.one_event
                       else "timing.group.not_one_event")
        lines.append((lang("timing.group.align"), pair(
            "timing.group.align_says", group.aligned_median_ms, group.aligned_most_ms,
            delays=delays) + f": {verdict}"))
    for rail in group.rails:
        said = _rail_line(rail, rails[rail.supply].rated_amps, lang)
        lines.append((lang("timing.group.rail"), said))
    if len(group.batches) > 1:
        text = "; ".join(
            lang("timing.group.stagger_batch", start=ms(start, lang), locks=lang.listing(batch))
            for start, batch in zip(group.starts_ms, group.batches, strict=True))
        lines.append((lang("timing.group.stagger"), text))
    return {"name": lang.listing(group.locks), "lines": lines,
            "times": lang("timing.group.times", count=joint.times) if joint else None,
            "left_out": (lang("timing.group.left_out", locks=lang.listing(group.left_out))
                         if group.left_out else None)}


def _rail_line(rail: RailAnswer, rated: float | None, lang: Language) -> str:
    """Whether the rail bears it, with the figure that decides."""
    if rail.over_rating:
        return lang("timing.group.rail_over", rail=rail.supply,
                    amps=lang.unit(lang.number(rail.amps, 1), "A"),
                    rated=lang.unit(lang.number(rated, 1), "A"))
    if rail.bears is None:
        return lang("timing.group.rail_unknown", rail=rail.supply)
    return lang("timing.group.rail_bears" if rail.bears else "timing.group.rail_fails",
                rail=rail.supply, lowest=lang.unit(lang.number(rail.lowest_volts, 2), "V"),
                window=lang.unit(lang.number(rail.window_volts, 1), "V"))
