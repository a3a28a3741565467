"""Where a path of unanswered commands is fitted, and where there is nothing to fit."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from remanence.analytics.parts import unanswered
from remanence.analytics.parts.unanswered import unanswered_wear

COMMANDS, WEEKS = 40, 30


def rows_with(missed: list[int]) -> pl.DataFrame:
    """So many unanswered commands of 40 in each week, oldest first."""
    parts = [
        pl.DataFrame({"weeks_ago": len(missed) - 1 - week, "attempt": 1, "pulse_ms": 300.0,
                      "outcome": ["no-release"] * count + ["released"] * (COMMANDS - count)})
        for week, count in enumerate(missed)
    ]
    return pl.concat(parts)


def wear(missed: list[int]) -> object:
    """What is told of a lock that is worn at 30 %."""
    return unanswered_wear(rows_with(missed), 0.3, COMMANDS, np.random.default_rng(1),
                           least_pulse_ms=0.0)


def test_a_share_that_rises_is_told() -> None:
    assert wear([0] * 20 + [2, 2, 3, 4, 4, 5, 6, 7, 7, 8]) is not None


@pytest.mark.parametrize("missed", [[1] * WEEKS, [0, 1] * (WEEKS // 2), [5] * 5 + [0] * 25])
def test_a_share_that_has_not_risen_costs_no_fit(
    missed: list[int], monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(unanswered, "fit_path", lambda *_: pytest.fail("a path was fitted"))
    assert wear(missed) is None
