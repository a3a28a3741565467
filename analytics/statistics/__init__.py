"""Statistics that know nothing of locks: survival, intervals, robust fits, change, rates, life."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.analytics.statistics.arrays import Flags, Ints, Reals
    from remanence.analytics.statistics.beside import chance_above
    from remanence.analytics.statistics.change import SCORE_LIMITS, TAIL_DEGREES, Change, Side
    from remanence.analytics.statistics.control_charts import cusum
    from remanence.analytics.statistics.intervals import (
        DEVIATION_OVER_MAD,
        MEDIAN_ERROR,
        MEDIAN_SQUARE,
        MEDIAN_VARIANCE,
        NORMAL_95,
        NORMAL_95_ROUNDED,
        log_density_of_t,
        median_interval,
        poisson_limits,
        probability,
        robust_deviation,
        wilson,
    )
    from remanence.analytics.statistics.level_change import change_of_level, level_of_days
    from remanence.analytics.statistics.life import (
        FAMILY_CYCLES,
        FAMILY_FACTOR,
        LifePosterior,
        Lives,
        life_posterior,
        zero_failure_scale,
    )
    from remanence.analytics.statistics.medians import grouped_medians, median
    from remanence.analytics.statistics.polled import (
        FEWEST_FOR_TIE,
        LEAST_TIED_POLL_MS,
        TIED_CONCENTRATION,
        polled_median,
        polls_in_step,
    )
    from remanence.analytics.statistics.rates import (
        JEFFREYS,
        betabinomial,
        chance_of_at_least,
        chance_of_at_least_between,
        chance_of_fault,
        change_of_rate,
        rate_that_matters,
    )
    from remanence.analytics.statistics.robust import (
        HUBER_TUNING,
        HuberFit,
        Line,
        huber_fit,
        huber_line,
        theil_sen,
    )
    from remanence.analytics.statistics.root import rising_root
    from remanence.analytics.statistics.seasoned import shift_since
    from remanence.analytics.statistics.settings import ALIKE, settings
    from remanence.analytics.statistics.survival import (
        ProductLimit,
        bound_of_quantile,
        check_limits,
        grouped_curves,
        grouped_quantile,
        product_limit,
    )

__all__ = [
    "ALIKE", "Change", "DEVIATION_OVER_MAD", "FAMILY_CYCLES", "FAMILY_FACTOR", "FEWEST_FOR_TIE",
    "Flags", "HUBER_TUNING", "HuberFit", "Ints", "JEFFREYS", "LEAST_TIED_POLL_MS", "LifePosterior",
    "Line", "Lives", "MEDIAN_ERROR", "MEDIAN_SQUARE", "MEDIAN_VARIANCE", "NORMAL_95",
    "NORMAL_95_ROUNDED", "ProductLimit", "Reals", "SCORE_LIMITS", "Side", "TAIL_DEGREES",
    "TIED_CONCENTRATION", "betabinomial", "bound_of_quantile", "chance_above", "chance_of_at_least",
    "chance_of_at_least_between", "chance_of_fault", "change_of_level", "change_of_rate",
    "check_limits", "cusum", "grouped_curves", "grouped_medians", "grouped_quantile", "huber_fit",
    "huber_line", "level_of_days", "life_posterior", "log_density_of_t", "median",
    "median_interval", "poisson_limits", "polled_median", "polls_in_step", "probability",
    "product_limit", "rate_that_matters", "rising_root", "robust_deviation", "settings",
    "shift_since", "theil_sen", "wilson", "zero_failure_scale",
]

__getattr__ = on_demand(__name__, {
    "arrays": ("Flags", "Ints", "Reals"),
    "beside": ("chance_above",),
    "change": ("Change", "SCORE_LIMITS", "Side", "TAIL_DEGREES"),
    "control_charts": ("cusum",),
    "intervals": ("DEVIATION_OVER_MAD", "MEDIAN_ERROR", "MEDIAN_SQUARE", "MEDIAN_VARIANCE",
        "NORMAL_95", "NORMAL_95_ROUNDED", "log_density_of_t", "median_interval", "poisson_limits",
        "probability", "robust_deviation", "wilson"),
    "level_change": ("change_of_level", "level_of_days"),
    "life": ("FAMILY_CYCLES", "FAMILY_FACTOR", "LifePosterior", "Lives", "life_posterior",
        "zero_failure_scale"),
    "medians": ("grouped_medians", "median"),
    "polled": ("FEWEST_FOR_TIE", "LEAST_TIED_POLL_MS", "TIED_CONCENTRATION", "polled_median",
        "polls_in_step"),
    "rates": ("JEFFREYS", "betabinomial", "chance_of_at_least", "chance_of_at_least_between",
        "chance_of_fault", "change_of_rate", "rate_that_matters"),
    "robust": ("HUBER_TUNING", "HuberFit", "Line", "huber_fit", "huber_line", "theil_sen"),
    "root": ("rising_root",),
    "seasoned": ("shift_since",),
    "settings": ("ALIKE", "settings"),
    "survival": ("ProductLimit", "bound_of_quantile", "check_limits", "grouped_curves",
        "grouped_quantile", "product_limit"),
})
