"""``chain.json``: what the chain's pages show, for other programs."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from remanence.analytics.chain import Batch, PooledLife, PooledStock, SlowBeside
from remanence.pipelines.sheets.report_sheet import made_at
from remanence.pipelines.sheets.sheet import program_version
from remanence.shared.findings import URGENCIES

if TYPE_CHECKING:
    from remanence.analytics.chain import ChainView, Member

CHAIN_SCHEMA = 1
"""Version of chain.json."""


def chain_json(view: ChainView) -> bytes:
    """The file's content, from :func:`remanence.analytics.chain.chain_view`."""
    data = {
        "schema": CHAIN_SCHEMA, "chain": view.name,
        "made_at": made_at().strftime("%Y-%m-%dT%H:%M:%SZ"), "remanence": program_version(),
        "venues": [_venue(member) for member in view.members],
        "parts": [_life(item) for item in view.lives],
        "stock": [_stock(item) for item in view.stock],
        "slow_beside_others": [_slow(item) for item in view.slow],
        "bad_batches": [_batch(item) for item in view.batches],
    }
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode()


def _venue(member: Member) -> dict[str, Any]:
    week = member.week
    return {
        "path": member.path, "venue": week.venue if week else None, "name": member.name,
        "labels": list(member.labels), "technician": member.technician, "fault": member.fault,
        "week": week.week if week else None,
        "last_day": week.last_day.isoformat() if week else None,
        "findings": {urgency: week.count(urgency) for urgency in URGENCIES} if week else None,
        "locks": dict(week.states) if week else None,
    }


def _life(item: PooledLife) -> dict[str, Any]:
    middle, low, high = item.life.life_quantile(0.1)
    return {
        "part": item.part, "venues": item.venues, "locks": item.locks,
        "ended_lives": item.life.failures, "lives": item.life.units,
        "b10_cycles": round(middle), "b10_low": round(low), "b10_high": round(high),
        "life_from": item.life.basis, "rated_cycles": item.rated_cycles,
        "early_probability": None if item.early is None else round(item.early, 4),
        "fails_early": item.fails_early, "venues_that_see_it_alone": item.seen_alone,
    }


def _stock(item: PooledStock) -> dict[str, Any]:
    return {
        "part": item.part, "depot": item.depot, "at_depot": item.at_depot,
        "on_shelves": item.on_shelves, "lead_time_days": item.lead_days,
        "keep_at_least": item.plan.level, "order_now": item.plan.order_now,
        "order_in_weeks": item.plan.order_in_weeks,
        "expected_need_until_delivery": item.plan.lead.mean, "year_need": item.plan.year.mean,
        "venues_would_order": item.alone, "unit_cost": item.unit_cost, "currency": item.currency,
        "transfers": [{
            "from": sent.source, "from_depot": sent.from_depot, "to": sent.to,
            "count": sent.count, "lock": sent.lock} for sent in item.transfers],
    }


def _slow(item: SlowBeside) -> dict[str, Any]:
    return {**vars(item), "fitted": item.fitted.isoformat() if item.fitted else None,
            "score": round(item.score, 4)}


def _batch(item: Batch) -> dict[str, Any]:
    return {**vars(item), "first": item.first.isoformat(), "last": item.last.isoformat(),
            "running": [{"venue": venue, "lock": lock} for venue, lock in item.running]}
