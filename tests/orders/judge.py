"""Forecast needs and stocks of simulated venues against what their futures wanted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from remanence.analytics.parts.demand import Demand
from remanence.analytics.parts.orders import SERVICE_LEVEL, plan_orders
from tests.orders.worlds import OrderWorld, play_venue


@dataclass(frozen=True)
class JudgedOrders:
    """Venues of one world; arrays have an entry a venue.

    ``lead`` and ``year`` are stated needs, ``came_lead`` and ``came_year`` the mean of the futures.
    ``out``: share of futures that wanted more than was held; ``stated_out`` what was said of it.
    ``exact_out``: the same if a piece were held with that chance that makes what was asked come out
    exactly (pieces are whole; a stock that meets 95 % meets some 98 %). ``year_held``: share of
    futures whose need of a year lies in the range stated with 90 %, ``year_stated`` what the range
    holds by its own word.
    """

    world: str
    lead: np.ndarray
    came_lead: np.ndarray
    year: np.ndarray
    came_year: np.ndarray
    out: np.ndarray
    stated_out: np.ndarray
    exact_out: np.ndarray
    year_held: np.ndarray
    year_stated: np.ndarray

    @classmethod
    def together(cls, name: str, judged: list[JudgedOrders]) -> JudgedOrders:
        return cls(name, *(np.concatenate([getattr(j, column) for j in judged])
                           for column in COLUMNS))

    def ratio(self, what: str) -> float:
        """Stated need of all venues over what came."""
        return float(getattr(self, what).sum() / getattr(self, f"came_{what}").sum())

    def ratio_error(self, what: str) -> float:
        """Standard error of that ratio: venues are the independent things."""
        stated, came = getattr(self, what), getattr(self, f"came_{what}")
        off = stated - self.ratio(what) * came
        return float(np.sqrt((off**2).sum()) / came.sum())

    def error(self, what: str) -> float:
        """Standard error of a mean over venues."""
        values = getattr(self, what)
        return float(values.std(ddof=1) / np.sqrt(values.size))


COLUMNS = ("lead", "came_lead", "year", "came_year", "out", "stated_out", "exact_out", "year_held",
           "year_stated")


def exact_out(need: Demand, level: float, wanted: np.ndarray) -> float:
    """Share of futures that run out where ``level`` is met exactly, by one piece's chance."""
    stock = need.quantile(level)
    less, more = need.chance_above(stock - 1), need.chance_above(stock)
    without = (1 - level - more) / (less - more) if less > more else 0.0
    return float((1 - without) * np.mean(wanted > stock) + without * np.mean(wanted > stock - 1))


def judge_orders(world: OrderWorld, venues: int, seed: int) -> JudgedOrders:
    """So many venues of one world."""
    rows = []
    for number in range(venues):
        played = play_venue(world, seed + number)
        order = plan_orders(played.history).parts[0]
        low, high = order.year.interval(0.9)
        rows.append((
            order.lead.mean, played.lead.mean(), order.year.mean, played.year.mean(),
            float(np.mean(played.lead > order.stock_level)),
            order.lead.chance_above(order.stock_level),
            exact_out(order.lead, SERVICE_LEVEL, played.lead),
            float(np.mean((played.year >= low) & (played.year <= high))),
            order.year.chance_above(low - 1) - order.year.chance_above(high),
        ))
    return JudgedOrders(world.name, *np.array(rows, dtype=float).T)


def orders_table(judged: list[JudgedOrders]) -> str:
    """The figures as a Markdown table, all worlds together in its last row."""
    lines = [
        "| venues | lead-time need, stated / came | ratio | year's need, stated / came | ratio "
        "| ran out | stated | ran out, whole pieces allowed for | year's 90 % range held "
        "| stated |",
        "| --- " * 10 + "|"]
    for j in [*judged, JudgedOrders.together("all together", judged)]:
        lines.append(
            f"| {j.world} | {j.lead.mean():.2f} / {j.came_lead.mean():.2f} "
            f"| {j.ratio('lead'):.2f} ± {j.ratio_error('lead'):.2f} "
            f"| {j.year.mean():.1f} / {j.came_year.mean():.1f} "
            f"| {j.ratio('year'):.2f} ± {j.ratio_error('year'):.2f} "
            f"| {100 * j.out.mean():.1f} ± {100 * j.error('out'):.1f} % "
            f"| {100 * j.stated_out.mean():.1f} % "
            f"| {100 * j.exact_out.mean():.1f} ± {100 * j.error('exact_out'):.1f} % "
            f"| {100 * j.year_held.mean():.0f} ± {100 * j.error('year_held'):.0f} % "
            f"| {100 * j.year_stated.mean():.0f} % |")
    return "\n".join(lines)
