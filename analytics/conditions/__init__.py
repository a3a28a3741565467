"""Evidence into conditions: what is wrong with which lock, rail or controller, and how sure.

What it offers is imported when it is asked for: the venue file is checked without what the
judges need.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from remanence.analytics.conditions.condition import Condition, catalogue
    from remanence.analytics.conditions.diagnosis import diagnose
    from remanence.analytics.conditions.fitting import fitting_notes, unsafe_fittings

__all__ = ["Condition", "catalogue", "diagnose", "fitting_notes", "unsafe_fittings"]

_HOME = {"Condition": "condition", "catalogue": "condition", "diagnose": "diagnosis",
         "fitting_notes": "fitting", "unsafe_fittings": "fitting"}


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
