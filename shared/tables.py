"""Every table's schema, once: columns, types, units and meaning.

A stage's table is its interface. Each stage hands on a table that passes
:func:`require`, so a change of a column is a change of this file.
"""

from __future__ import annotations

import polars as pl

from remanence.shared.table import TIMESTAMP, Column, Table


def _c(name: str, dtype: pl.DataType, unit: str, meaning: str) -> Column:
    return Column(name, dtype, unit, meaning)


_TEXT = pl.String()
_INT = pl.Int64()
_REAL = pl.Float64()
_BOOL = pl.Boolean()
_DAY = pl.Date()

SIGNALS = Table(
    "signals",
    "Log records, each kept once.",
    (
        _c("time", TIMESTAMP, "UTC", "when, by the controller's own clock brought to UTC"),
        _c("channel", _TEXT, "", "CONTROLLER/NAME; what stands before the first / is the clock"),
        _c("quantity", _TEXT, "", "command, contact, volts or amps"),
        _c("value", _REAL, "0/1, V, A", "the reading"),
        _c("run", _INT, "", "the controller's running segment: another number after a restart"),
        _c("file", _TEXT, "", "the log file it came from"),
        _c("line", _INT, "", "the line in that file, counted from 1"),
        _c("place", _INT, "", "its place among the lines that its clock stamped alike, from 0"),
        _c("again", _INT, "", "how often its channel had gone to this value under the same stamp "
                              "before: 0 but where a clock's step is coarse"),
    ),
    ("time", "place", "channel", "quantity", "value", "again"),
)

REJECTS = Table(
    "rejects",
    "Every line that was not taken, verbatim, with its reason.",
    (
        _c("file", _TEXT, "", "the log file"),
        _c("line", _INT, "", "the line, counted from 1"),
        _c("text", _TEXT, "", "the line as it stood"),
        _c("reason", _TEXT, "", "why it was not taken"),
    ),
    ("file", "line", "reason"),
)

OUTCOMES = ("released", "no-release", "already-open", "unobserved")

ACTUATIONS = Table(
    "actuations",
    "One row per command edge that should release a lock.",
    (
        _c("lock", _TEXT, "", "the lock"),
        _c("command_time", TIMESTAMP, "UTC", "the edge that should release"),
        _c("pulse_ms", _REAL, "ms", "how long the releasing command lasted; null while it lasts"),
        _c("outcome", _TEXT, "", "released, no-release, already-open or unobserved"),
        _c("latency_ms", _REAL, "ms", "command edge to the first edge of the release"),
        _c("waited_ms", _REAL, "ms", "how long was waited; without release, censored here"),
        _c("latency_from", _TEXT, "", "catch, armature, door or supply; never pooled"),
        _c("resolution_ms", _REAL, "ms", "the true latency lies within this before latency_ms"),
        _c("bounces", _INT, "", "contact edges after the first until it settled"),
        _c("volts_before", _REAL, "V", "rail just before the command"),
        _c("volts_min", _REAL, "V", "lowest while the command lasted"),
        _c("sag_volts", _REAL, "V", "what this coil's load takes off the rail while it is loaded: "
           "unloaded minus loaded level (a latch loads it from the command on, a magnet until the "
           "command); null for a coil that cuts itself and was not seen loaded"),
        _c("off_spike_volts", _REAL, "V", "highest over volts_before just after switch-off; null "
           "if not sampled finely enough"),
        _c("others_on", _INT, "", "other locks energised on that rail at that instant"),
        _c("attempt", _INT, "", "1 first try, 2 the retry after a no-release, ..."),
        # Beyond the contract, for the analyses that follow.
        _c("end_sag_volts", _REAL, "V", "what the rail still carries at the end of a latch's "
           "pulse: volts_before minus the median of the last 60 % of the pulse; null where "
           "another lock on the rail was switched meanwhile"),
        _c("sag_ms", _REAL, "ms", "how long the sag lasted (latches); null if not resolved"),
        _c("sag_pulses", _INT, "", "separate sags while the command lasted: a buzzing catch "
           "has several"),
        _c("sag_outlasts_ms", _REAL, "ms", "how long the load stayed on after the command ended"),
        _c("volts_noise", _REAL, "V", "scatter (robust standard deviation) of the rail before"),
        _c("volts_samples", _INT, "", "rail samples while the command lasted"),
        _c("sample_ms", _REAL, "ms", "median spacing of those samples"),
        _c("recovery_ms", _REAL, "ms", "switch-off until the rail is back to volts_before"),
        _c("amps", _REAL, "A", "settled coil current, where it is logged"),
        _c("relock_ms", _REAL, "ms", "first release edge until the contact shows locked again"),
        _c("contact_edges", _INT, "", "contact edges of any kind from the command to the end of "
           "the wait"),
        _c("across_clocks", _BOOL, "", "command and feedback stamped by different controllers"),
        _c("cut_ms", _REAL, "ms", "when a latch's own switch cut its coil, after the command: the "
           "first reading that shows the sag over while the command lasts"),
        _c("clock_ms", _REAL, "ms", "step of the clock that stamped it"),
    ),
    ("lock", "command_time"),
)

OPENINGS = Table(
    "openings",
    "Every time a lock opened with no releasing command.",
    (
        _c("lock", _TEXT, "", "the lock"),
        _c("time", TIMESTAMP, "UTC", "first edge of the opening"),
        _c("energised", _BOOL, "", "whether its coil was energised by command"),
        _c("since_command_ms", _REAL, "ms", "time since this lock's last releasing command"),
        _c("last_outcome", _TEXT, "", "outcome of that command"),
        _c("bounces", _INT, "", "contact edges after the first until it settled"),
        _c("open_ms", _REAL, "ms", "how long it stayed open; null while it does"),
        _c("other_lock", _TEXT, "", "the lock whose releasing command came last before, on any "
           "channel, within two seconds"),
        _c("other_ms", _REAL, "ms", "time since that command"),
    ),
    ("lock", "time"),
)

ENERGISINGS = Table(
    "energisings",
    "Every stretch for which a lock's coil was commanded on.",
    (
        _c("lock", _TEXT, "", "the lock"),
        _c("start", TIMESTAMP, "UTC", "coil on"),
        _c("end", TIMESTAMP, "UTC", "coil off; null while it lasts or the log broke off"),
        _c("on_ms", _REAL, "ms", "how long; null with end"),
        _c("cut_ms", _REAL, "ms", "when a self-cutting switch cut the coil, after start"),
        _c("again_ms", _REAL, "ms", "when it was last commanded on again while on, after start: "
           "the record of an end before that may be lost; null where it never was"),
    ),
    ("lock", "start"),
)

CONTACT_CHANGES = Table(
    "contact_changes",
    "Every settled change of a feedback contact.",
    (
        _c("lock", _TEXT, "", "the lock"),
        _c("time", TIMESTAMP, "UTC", "first edge of the change"),
        _c("open", _BOOL, "", "true: the change shows the lock open"),
        _c("bounces", _INT, "", "further edges until it settled"),
        _c("settle_ms", _REAL, "ms", "first edge to last edge"),
        _c("commanded", _BOOL, "", "within the wait of a releasing command of this lock"),
    ),
    ("lock", "time"),
)

RAIL_HOURS = Table(
    "rail_hours",
    "Volts of each supply, hour by hour.",
    (
        _c("supply", _TEXT, "", "the supply"),
        _c("hour", TIMESTAMP, "UTC", "start of the hour"),
        _c("samples", _INT, "", "readings"),
        _c("idle_samples", _INT, "", "readings with no pulsed coil on, 2 s either side"),
        _c("idle_median", _REAL, "V", "their median"),
        _c("idle_low", _REAL, "V", "their 5 % quantile"),
        _c("idle_high", _REAL, "V", "their 95 % quantile"),
        _c("idle_deviation", _REAL, "V", "their standard deviation: drift and ripple"),
    ),
    ("supply", "hour"),
)

ACTIVITY = Table(
    "activity",
    "What each controller logged, hour by hour: the ground for saying that it fell silent.",
    (
        _c("controller", _TEXT, "", "the controller"),
        _c("hour", TIMESTAMP, "UTC", "start of the hour"),
        _c("records", _INT, "", "records of any kind"),
        _c("edges", _INT, "", "command and contact records"),
        _c("first", TIMESTAMP, "UTC", "first record in the hour"),
        _c("last", TIMESTAMP, "UTC", "last record in the hour"),
        _c("longest_silence_s", _REAL, "s", "longest time between neighbouring records"),
        _c("runs", _INT, "", "running segments seen: two means a restart"),
    ),
    ("controller", "hour"),
)

POLLING = Table(
    "polling",
    "How finely each controller stamps its edges, day by day.",
    (
        _c("controller", _TEXT, "", "the controller"),
        _c("day", _DAY, "", "UTC day"),
        _c("resolution_ms", _REAL, "ms", "polling period or step of its clock"),
        _c("edges", _INT, "", "edges it was judged on"),
        _c("clock_ms", _REAL, "ms", "step of its clock: all stamps lie on whole multiples of it"),
        _c("ahead_ms", _REAL, "ms", "how far its clock is ahead of that of the commands whose "
           "answers it stamps; null where the two are taken for one"),
        _c("ahead_known", _BOOL, "", "whether that day shows it; null likewise"),
    ),
    ("controller", "day"),
)

CLOCK_EVENTS = Table(
    "clock_events",
    "Jumps, wraps and restarts of controllers' clocks, mended or not.",
    (
        _c("controller", _TEXT, "", "the controller"),
        _c("time", TIMESTAMP, "UTC", "when, as far as can be told"),
        _c("kind", _TEXT, "", "step, wrap, restart, missing-hour, unanchored"),
        _c("seconds", _REAL, "s", "size of the jump; null where unknown"),
        _c("mended", _BOOL, "", "whether the times could be put right"),
        _c("file", _TEXT, "", "where it was seen"),
        _c("line", _INT, "", "the line there"),
        _c("how", _TEXT, "", "what was mended, by how much and why; or why it was left"),
    ),
    ("controller", "time", "kind"),
)

SERVICE_ACTIONS = (
    "replaced", "adjusted", "cleaned", "rewired", "inspected", "release-tested",
)
TEST_RESULTS = ("passed", "failed")
"""How a release test went; the service log says it in a word of its own."""

BASELINE_ACTIONS = SERVICE_ACTIONS[:4]
"""After these a lock's baseline starts anew."""

SERVICE = Table(
    "service",
    "The service log.",
    (
        _c("date", _DAY, "", "venue's own calendar"),
        _c("lock", _TEXT, "", "the lock"),
        _c("action", _TEXT, "", "replaced, adjusted, cleaned, rewired, inspected or "
           "release-tested"),
        _c("part", _TEXT, "", "the part, where one was fitted"),
        _c("note", _TEXT, "", "what was seen"),
        _c("result", _TEXT, "", "of a release test: passed or failed; null where the log does "
           "not say, and of other work"),
        _c("by", _TEXT, "", "who did it; null where the log does not say"),
    ),
    ("date", "lock", "action"),
)

FILES = Table(
    "files",
    "Every log file that was taken in, and how far.",
    (
        _c("file", _TEXT, "", "the log file, as the rejects and signals name it"),
        _c("bytes", _INT, "bytes", "its size when it was last read"),
        _c("modified_ns", _INT, "ns", "its time stamp then"),
        _c("digest", _TEXT, "", "fingerprint of the bytes that were read"),
        _c("layout", _TEXT, "", "fingerprint of the venue file's words for it"),
        _c("offset", _INT, "bytes", "a later read goes on here; 0 where it starts anew"),
        _c("state", _TEXT, "", "what reading on from there needs to know (JSON)"),
        _c("lines", _INT, "", "lines read, header and blank lines left out"),
        _c("records", _INT, "", "records that those lines made"),
        _c("taken", _INT, "", "records that the store did not hold before"),
        _c("repeated", _INT, "", "records that it did"),
        _c("rejected", _INT, "", "records and lines set aside with a reason"),
        _c("complete", _BOOL, "", "whether the last read came to the end of the file"),
    ),
    ("file",),
)

FORECASTS = Table(
    "forecasts",
    "Every chance of needing a part that was ever stated, to be held against what came.",
    (
        _c("made", _DAY, "", "last day of the week the forecast rests on"),
        _c("lock", _TEXT, "", "the lock"),
        _c("part", _TEXT, "", "its part"),
        _c("weeks", _INT, "weeks", "how far ahead"),
        _c("chance", _REAL, "", "chance of needing the part by then, between 0 and 1"),
    ),
    ("made", "lock", "weeks"),
)

TABLES = {
    table.name: table
    for table in (
        SIGNALS, REJECTS, ACTUATIONS, OPENINGS, ENERGISINGS, CONTACT_CHANGES,
        RAIL_HOURS, ACTIVITY, POLLING, CLOCK_EVENTS, SERVICE, FILES,
        FORECASTS,
    )
}


_TEXTS = pl.List(pl.String())


FINDINGS = Table(
    "findings",
    "What is to be said of each week: one row for each figure that a finding rests on, a row "
    "without figures for one that rests on none.",
    (
        _c("week", _TEXT, "", "the ISO 8601 week, like 2026-W47"),
        _c("place", _INT, "", "the finding's place in its week, most urgent first, from 1"),
        _c("subject", _TEXT, "", "the lock, supply, controller or venue it is said of"),
        _c("subject_kind", _TEXT, "", "lock, supply, controller, room, part or venue"),
        _c("condition", _TEXT, "", "a name of the catalogue of conditions"),
        _c("title", _TEXT, "", "the condition's short name for people"),
        _c("urgency", _TEXT, "", "now, week, plan or watch"),
        _c("score", _REAL, "probability", "that the condition is real"),
        _c("since", _DAY, "", "first day it holds from"),
        _c("since_low", _DAY, "", "earliest day of its 95 % interval"),
        _c("since_high", _DAY, "", "latest day of its 95 % interval"),
        _c("says", _TEXT, "", "what was found, in sentences"),
        _c("check", _TEXT, "", "what to check at the bench"),
        _c("not_excluded", _TEXTS, "", "other causes that the log cannot rule out"),
        _c("id", _TEXT, "", "the figure, by the id that its words go by"),
        _c("what", _TEXT, "", "the figure in words"),
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
