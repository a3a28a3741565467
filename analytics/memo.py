"""Work out once what several conditions ask of the same history."""

from __future__ import annotations

import weakref
from collections.abc import Callable
from functools import wraps
from typing import TypeVar

from analytics.history import History

Result = TypeVar("Result")


def once_per_history(function: Callable[[History], Result]) -> Callable[[History], Result]:
    """Keep the answer of a pure function of a history for as long as that history lives.

    Only the latest history's answer is kept, and only while something else holds
    that history: a history does not change, so the answer cannot grow stale.
    """
    latest: list[tuple[weakref.ref[History], Result]] = []

    @wraps(function)
    def asked(history: History) -> Result:
        if latest and latest[0][0]() is history:
            return latest[0][1]
        answer = function(history)
        latest[:] = [(weakref.ref(history, lambda _: latest.clear()), answer)]
        return answer

    return asked
