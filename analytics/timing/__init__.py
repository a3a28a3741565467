"""The designer's numbers: pulse, wait, cue offset, and locks that fire together."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.analytics.timing.answer import (
        LockAnswer,
        PulseAnswer,
    )
    from remanence.analytics.timing.cue import CueAnswer
    from remanence.analytics.timing.curves import lower_curve, release_curve
    from remanence.analytics.timing.gather import Timing, timing
    from remanence.analytics.timing.model import (
        RISKS,
        TARGETS,
        TIMING_QUANTILES,
        LockModel,
        PulseGroup,
        Quantile,
        Settings,
        TimingRail,
        key,
    )
    from remanence.analytics.timing.sequence import RailLowest, SequenceAnswer, StepAnswer
    from remanence.analytics.timing.together import GroupAnswer, RailAnswer

__all__ = [
    "CueAnswer", "GroupAnswer", "LockAnswer", "LockModel", "PulseAnswer", "PulseGroup",
    "Quantile", "RISKS", "RailAnswer", "RailLowest", "SequenceAnswer", "Settings", "StepAnswer",
    "TARGETS", "TIMING_QUANTILES", "Timing", "TimingRail", "key", "lower_curve", "release_curve",
    "timing",
]

__getattr__ = on_demand(__name__, {
    "answer": ("LockAnswer", "PulseAnswer"),
    "cue": ("CueAnswer",),
    "curves": ("lower_curve", "release_curve"),
    "gather": ("Timing", "timing"),
    "model": ("LockModel", "PulseGroup", "Quantile", "RISKS", "Settings", "TARGETS",
        "TIMING_QUANTILES", "TimingRail", "key"),
    "sequence": ("RailLowest", "SequenceAnswer", "StepAnswer"),
    "together": ("GroupAnswer", "RailAnswer"),
})
