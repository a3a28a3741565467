"""Figures of the health report in words: numbers with units, intervals, lengths of time."""

from __future__ import annotations

import math
from dataclasses import dataclass

from remanence.analytics.health.model import Estimate, Health
from remanence.dashboards.page import EN_DASH, NBSP, Language, decimals_for

UNITS = {"ohm": "Ω", "ohms": "Ω", "percent": "%", "degC": "°C", "celsius": "°C", "": ""}
LONG_MS = 10_000.0
"""From here on a time is told in seconds."""


@dataclass(frozen=True)
class FigureWords:
    """Figures in the words of one language."""

    lang: Language
    health: Health

    def value(
        self, value: float | None, low: float | None, high: float | None, unit: str,
        *, long: bool = False,
    ) -> str:
        """A figure with its unit; long times in seconds."""
        if unit == "ms" and value is not None and (long or abs(value) >= LONG_MS):
            def seconds(figure: float | None) -> float | None:
                return None if figure is None else figure / 1000

            return self.lang.measured(seconds(value), seconds(low), seconds(high), "s")
        return self.lang.measured(value, low, high, self.unit(unit))

    def unit(self, unit: str) -> str:
        """A unit as people write it."""
        return self.lang.phrase(f"unit.{unit}", UNITS.get(unit, unit)) if unit else ""

    def volts(self, volts: float | None, decimals: int = 1) -> str:
        """Volts as a meter shows them."""
        return self.lang.unit(self.lang.number(volts, decimals), "V")

    def span(self, ms: float) -> str:
        """A length of time in the unit that people would use."""
        for least, divisor, unit in ((7_200_000.0, 3_600_000.0, "h"), (120_000.0, 60_000.0, "min"),
                                     (1000.0, 1000.0, "s")):
            if ms >= least:
                return self.lang.unit(self.lang.number(ms / divisor, 0 if ms >= 10 * divisor
                                                       else 1), unit)
        return self.lang.unit(self.lang.number(ms), "ms")

    def interval(
        self, value: float | None, low: float | None, high: float | None, unit: str,
    ) -> str:
        """An interval whose unit stands before it, rounded like the figure."""
        return self.lang.interval(value, low, high, unit).removesuffix(
            self.lang.unit("", unit)).rstrip()

    def latency(self, estimate: Estimate, step_ms: float | None = None) -> str:
        """A latency, no finer than the log's step; ``over 20 ms`` where it was not reached."""
        value, low, high = estimate.value, estimate.low, estimate.high
        if value is None:
            if not low:
                return ""
            return self.lang("lock.at_least", low=self.value(low, None, None, "ms"))
        if step_ms and value < LONG_MS:
            decimals = min(decimals_for(value, low, high), -math.floor(math.log10(step_ms)), 1)
            return self.lang.unit(self.lang.number(value, decimals), "ms")
        return self.value(value, low, high, "ms")

    def latency_limits(self, estimate: Estimate, step_ms: float | None) -> str:
        """A latency with its interval and count, no finer than the log's step."""
        value, low, high = estimate.value, estimate.low, estimate.high
        if value is None or value >= LONG_MS:
            return self.latency(estimate, step_ms)
        decimals = min(decimals_for(value, low, high), 1)
        if step_ms:
            decimals = min(decimals, -math.floor(math.log10(step_ms)))
        number = self.lang.number
        if high is None:
            ends = f"≥ {number(low, decimals)}".replace(" ", NBSP)
        else:
            ends = f"{number(low or 0.0, decimals)}{EN_DASH}{number(high, decimals)}"
        return self.lang("lock.with_limits", value=self.lang.unit(number(value, decimals), "ms"),
                         interval=ends, n=estimate.n)

    def with_limits(self, estimate: Estimate, unit: str = "ms") -> str:
        """A figure with its interval and count: ``61 ms (60–62; 71)``."""
        if estimate.value is None:
            return EN_DASH
        return self.lang(
            "lock.with_limits",
            value=self.lang.measured(estimate.value, estimate.low, estimate.high, unit),
            interval=self.interval(estimate.value, estimate.low, estimate.high, unit),
            n=estimate.n,
        )

    def share(self, estimate: Estimate) -> str:
        """A share with its interval."""
        if estimate.value is None:
            return EN_DASH
        low = None if estimate.low is None else 100 * estimate.low
        high = None if estimate.high is None else 100 * estimate.high
        return self.with_limits(Estimate(100 * estimate.value, low, high, estimate.n), "%")
