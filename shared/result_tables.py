"""Schemas of what the analyses say, as tables: findings, wear and timing, with units.

These are worked out when asked for, not kept in the store.
"""

from __future__ import annotations

import polars as pl

from shared.tables import Column, Table

_TEXT = pl.String()
_TEXTS = pl.List(pl.String())
_INT = pl.Int64()
_REAL = pl.Float64()
_BOOL = pl.Boolean()
_DAY = pl.Date()
_c = Column


FINDINGS = Table(
    "findings",
    "What is to be said of each week: one row for each figure that a finding rests on, a row "
    "without figures for one that rests on none.",
    (
        _c("week", _TEXT, "", "the ISO 8601 week, like 2026-W47"),
        _c("place", _INT, "", "the finding's place in its week, most urgent first, from 1"),
        _c("subject", _TEXT, "", "the lock, supply, controller or venue it is said of"),
        _c("subject_kind", _TEXT, "", "lock, supply, controller or venue"),
        _c("condition", _TEXT, "", "a name of the catalogue of conditions"),
        _c("urgency", _TEXT, "", "now, week, plan or watch"),
        _c("score", _REAL, "probability", "that the condition is real"),
        _c("since", _DAY, "", "first day it holds from"),
        _c("since_low", _DAY, "", "earliest day of its 95 % interval"),
        _c("since_high", _DAY, "", "latest day of its 95 % interval"),
        _c("says", _TEXT, "", "the finding in one sentence"),
        _c("check", _TEXT, "", "what to check at the bench"),
        _c("not_excluded", _TEXTS, "", "conditions that the log cannot rule out"),
        _c("what", _TEXT, "", "the figure"),
        _c("now", _REAL, "unit", "its value in the week"),
        _c("now_low", _REAL, "unit", "lower end of its 95 % interval"),
        _c("now_high", _REAL, "unit", "upper end of its 95 % interval"),
        _c("before", _REAL, "unit", "its value before"),
        _c("before_low", _REAL, "unit", "lower end of its 95 % interval"),
        _c("before_high", _REAL, "unit", "upper end of its 95 % interval"),
        _c("unit", _TEXT, "", "unit of the six figures before this column"),
        _c("n", _INT, "", "how many readings it rests on"),
    ),
    ("week", "place"),
)

WEAR = Table(
    "wear",
    "What each lock's drift says of its remaining life at the end of a week.",
    (
        _c("week", _TEXT, "", "the ISO 8601 week, like 2026-W47"),
        _c("lock", _TEXT, "", ""),
        _c("sign", _TEXT, "", "wearing, at its limit, no sign of wear, not enough data or not "
                             "observed"),
        _c("latency_ms", _REAL, "ms", "median release latency now"),
        _c("healthy_ms", _REAL, "ms", "the same when healthy"),
        _c("limit_ms", _REAL, "ms", "the latency at which it no longer does"),
        _c("limit_from", _TEXT, "", "where the limit comes from"),
        _c("games_per_week", _REAL, "1/week", "the venue's pace"),
        _c("actuations_per_week", _REAL, "1/week", "the lock's pace"),
        _c("weeks_left", _REAL, "weeks", "median; infinite where the limit may never be met, "
                                         "null where nothing wears"),
        _c("weeks_left_low_50", _REAL, "weeks", "lower end of the 50 % interval"),
        _c("weeks_left_high_50", _REAL, "weeks", "upper end of the 50 % interval"),
        _c("weeks_left_low_90", _REAL, "weeks", "lower end of the 90 % interval"),
        _c("weeks_left_high_90", _REAL, "weeks", "upper end of the 90 % interval"),
        _c("since_weeks", _REAL, "weeks", "how long ago it began"),
    ),
    ("week", "lock"),
)

TIMING = Table(
    "timing",
    "What to programme for each lock, from what it did up to the end of a week.",
    (
        _c("week", _TEXT, "", "the ISO 8601 week, like 2026-W47"),
        _c("lock", _TEXT, "", ""),
        _c("pulse_state", _TEXT, "", "good, tight, none, mend, or the obstacle"),
        _c("pulse_ms", _REAL, "ms", "pulse to programme; of a magnet, time to leave it off"),
        _c("pulse_shortest_ms", _REAL, "ms", "shortest that releases as often as is asked for"),
        _c("pulse_longest_ms", _REAL, "ms", "longest that the coil's rating allows"),
        _c("released_share", _REAL, "share", "of openings that the pulse releases at the first "
                                             "try; lower bound, one-sided 95 %"),
        _c("retry_ms", _REAL, "ms", "from the command to its retry"),
        _c("retries", _INT, "", "how many retries"),
        _c("stuck_ms", _REAL, "ms", "from the command until it is called stuck"),
        _c("sound_offset_ms", _REAL, "ms", "sound cue after the command"),
        _c("sound_share", _REAL, "share", "of openings at which few notice that they are apart"),
        _c("sound_from_feedback", _BOOL, "", "start the sound from the feedback instead"),
        _c("light_offset_ms", _REAL, "ms", "light cue after the command"),
        _c("light_share", _REAL, "share", "the same for the light"),
        _c("light_from_feedback", _BOOL, "", "the same for the light"),
    ),
    ("week", "lock"),
)

RESULTS = {table.name: table for table in (FINDINGS, WEAR, TIMING)}
