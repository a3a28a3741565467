"""What is worked out of an object once, however many ask, and let go of with it or before."""

from __future__ import annotations

import weakref
from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar

__all__ = ["let_go", "worked_out_once"]

Subject = TypeVar("Subject")
Result = TypeVar("Result")

_kept: dict[Callable[[Any], object], Callable[[], None]] = {}
"""How to let go of what each function has answered."""


def worked_out_once(function: Callable[[Subject], Result]) -> Callable[[Subject], Result]:
    """Keep the answer of a pure function of an object for as long as that object lives.

    Only the latest object's answer is kept, and only while something else holds that object, which
    must not change: so the answer cannot grow stale.
    """
    latest: list[tuple[weakref.ref[Subject], Result]] = []

    @wraps(function)
    def asked(subject: Subject) -> Result:
        if latest and latest[0][0]() is subject:
            return latest[0][1]
        answer = function(subject)
        latest[:] = [(weakref.ref(subject, lambda _: latest.clear()), answer)]
        return answer

    _kept[asked] = latest.clear
    return asked


def let_go(*functions: Callable[[Any], object]) -> None:
    """Keep no longer what these functions answered: nobody asks them any more.

    Parameters
    ----------
    *functions : callable
        Each kept by :func:`worked_out_once`. Whoever asks again has it worked out again.
    """
    for function in functions:
        _kept[function]()
