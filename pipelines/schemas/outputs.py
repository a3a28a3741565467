"""What the sheets write for programs, key by key.

Every object lists all its keys. A later version may add some, so a reader passes over those that it
does not know; the tests hold that a file of this version has no other.
"""

from __future__ import annotations

from collections.abc import Sequence

from remanence.pipelines.schemas.from_fields import fields_of, or_null
from remanence.pipelines.schemas.from_keys import Schema, property_of
from remanence.shared.findings import STATES, STATUSES, URGENCIES
from remanence.shared.sequence import STEP_KEYS

TEXT: Schema = {"type": "string"}
NUMBER: Schema = {"type": "number"}
WHOLE: Schema = {"type": "integer"}
FLAG: Schema = {"type": "boolean"}
DAY: Schema = {"type": "string", "format": "date"}
MOMENT: Schema = {"type": "string", "format": "date-time"}
WEEK: Schema = {"type": "string", "pattern": "^[0-9]{4}-W[0-9]{2}$"}
SHARE: Schema = {"type": "number", "minimum": 0, "maximum": 1}

Row = tuple[str, Schema, str]
"""A key, its values, its meaning."""


def one_of(choices: Sequence[str]) -> Schema:
    """A text that is one of these."""
    return {"type": "string", "enum": list(choices)}


def many(items: Schema) -> Schema:
    """A list of such values."""
    return {"type": "array", "items": items}


def record(rows: Sequence[Row], also: Sequence[Row] = ()) -> Schema:
    """An object with all of these keys, and maybe those that some objects have ``also``."""
    properties = {name: {"description": meaning, **schema}
                  for name, schema, meaning in (*rows, *also)}
    return {"type": "object", "properties": properties,
            "required": sorted(name for name, _, _ in rows)}


def _head(version: int) -> tuple[Row, ...]:
    return (
        ("schema", {"const": version}, "version of this schema"),
        ("venue", TEXT, "id of the venue"),
        ("made_at", MOMENT, "when the file was made, UTC; follows SOURCE_DATE_EPOCH where set"),
        ("remanence", TEXT, "version of the program"),
    )


_FIGURE = record((
    ("value", or_null(NUMBER), "the figure"), ("low", or_null(NUMBER), "low end of its 95 % range"),
    ("high", or_null(NUMBER), "high end of its 95 % range; null: not reached"),
    ("n", WHOLE, "readings it rests on"),
))

_EVIDENCE = record((
    ("what", TEXT, "what the figure is, in words"), ("id", TEXT, "its fixed name"),
    ("now", or_null(NUMBER), "its value in the week"),
    ("now_low", or_null(NUMBER), "low end of its 95 % range"),
    ("now_high", or_null(NUMBER), "high end of its 95 % range"),
    ("before", or_null(NUMBER), "its value before"),
    ("before_low", or_null(NUMBER), "low end of that one's 95 % range"),
    ("before_high", or_null(NUMBER), "high end of that one's 95 % range"),
    ("unit", TEXT, "unit of all six; empty for a bare number"),
    ("n", or_null(WHOLE), "readings it rests on"),
))

_SERVICE = record((
    ("date", DAY, "day of the work"), ("action", TEXT, "what was done"),
    ("helped", FLAG, "whether the fault went for a time"),
), (("came_back_after_weeks", WHOLE, "weeks until it was there again"),))

_FINDING = record((
    ("subject", TEXT, "of what it is said: the id of a lock, rail, controller or venue"),
    ("subject_kind", TEXT, "lock, supply, controller, venue or part"),
    ("condition", TEXT, "fixed name of the condition"),
    ("title", TEXT, "its title in the language of the report"),
    ("urgency", one_of(URGENCIES), "now: do not run with it; week: before the week is out; plan: "
     "order or schedule; watch: nothing to do yet"),
    ("status", one_of(STATUSES), "where the finding is in its life"),
    ("first_named", or_null(WEEK), "week in which it was first said"),
    ("ended", or_null(DAY), "day from which it is over; null while it stands"),
    ("since", or_null(DAY), "first day that it holds from"),
    ("since_low", or_null(DAY), "earliest day, 95 %"),
    ("since_high", or_null(DAY), "latest day, 95 %"),
    ("score", SHARE, "probability that the condition is there, and its name right"),
    ("says", TEXT, "the finding in sentences"),
    ("evidence", many(_EVIDENCE), "the figures it rests on"),
    ("not_excluded", many(TEXT), "other causes that the log cannot rule out"),
    ("check", TEXT, "what to check at the bench"),
), (
    ("accounts_for", many(TEXT), "conditions, or locks, that this one explains"),
    ("course", TEXT, "how it came: step, gradual, slow mode, from the start"),
    ("effect_score", SHARE, "probability that something is wrong, by whatever name"),
    ("explained", SHARE, "share of failed commands that it explains"),
    ("from_start", FLAG, "whether it was there since the lock was fitted"),
    ("likely_cause", record((("condition", TEXT, "which"), ("score", SHARE, "how sure"))),
     "the condition that probably causes it"),
    ("other", TEXT, "the other lock of the pair"),
    ("perhaps_replaced", FLAG, "whether it changed at once, with no work entered: ask first"),
    ("pulse_cut", FLAG, "whether the program's pulses became shorter"),
    ("reasons", many(TEXT), "what is unsafe, by its fixed names"),
    ("service", _SERVICE, "the work on the lock after which the fault is there again"),
    ("share", SHARE, "share of commands that were not answered"),
))

_LOCK_STATE: tuple[Row, ...] = (
    ("state", one_of(STATES), "its most urgent finding's, watch where something stands "
     "unexplained, good, or too-little-data; the same in every file"),
    ("too_little_data_because", or_null(TEXT), "why it could not be checked"),
    ("findings", many(TEXT), "conditions found of it, most urgent first"),
    ("findings_of_rail", many(TEXT), "conditions of its rail that reach it"),
    ("cause", or_null(TEXT), "the condition that its state rests on"),
    ("pulse_now_ms", or_null(NUMBER), "pulse (a magnet: off-time) that the program sets now, ms"),
    ("no_release", WHOLE, "commands of the week that were not answered"),
    ("opened_energised", WHOLE, "times in the week that it opened while energised"),
)

_LOCK = record((
    ("lock", TEXT, "its id"), *_LOCK_STATE,
    ("actuations", WHOLE, "commands in the week"), ("released", WHOLE, "of them released"),
    ("already_open", WHOLE, "commands that found it open"),
    ("unobserved", WHOLE, "commands that nothing could check"),
    ("retries", WHOLE, "second and further tries"),
    ("openings", WHOLE, "times that it opened without a command"),
    ("latency_from", or_null(TEXT), "what tells its release: catch, armature, door or supply"),
    ("latency_ms", _FIGURE, "median time to release in the week, ms"),
    ("latency_before_ms", _FIGURE, "the same before, ms"),
    ("latency_p95_ms", _FIGURE, "95 % of releases take no more, ms"),
    ("latency_p95_before_ms", _FIGURE, "the same before, ms"),
    ("resolution_ms", or_null(NUMBER), "what clock or polling allows, ms"),
))


def findings(version: int) -> Schema:
    """The schema of ``findings.json``."""
    return record((
        *_head(version), ("week", WEEK, "ISO week of the report"),
        ("findings", many(_FINDING), "what stands, and what ended this week"),
        ("locks", many(_LOCK), "every lock of the venue file"),
    ))


def parts(version: int) -> Schema:
    """The schema of ``parts.json``."""
    from remanence.analytics.parts.forecasts import Calibration
    from remanence.analytics.parts.orders import HORIZONS
    from remanence.analytics.parts.venue_year import LostDays, Period

    cause = record((("lock", TEXT, "its id"), ("cause", or_null(TEXT), "condition, wear or age")))
    part = record((
        ("part", TEXT, "its id"), ("description", TEXT, "as in the venue file"),
        ("in_stock", WHOLE, "pieces in stock"),
        ("on_order", WHOLE, "pieces ordered that have not arrived"),
        ("lead_time_days", NUMBER, "order to delivery"),
        ("lead_time_known", FLAG, "whether the venue file says it"),
        ("expected_need_until_delivery", NUMBER, "pieces, mean"),
        ("need_until_delivery_low", WHOLE, "low end of its 90 % range"),
        ("need_until_delivery_high", WHOLE, "high end of its 90 % range"),
        ("keep_at_least", WHOLE, "pieces to have in stock"), ("order_now", WHOLE, "pieces"),
        ("order_by", or_null(DAY), "day to order by; null: not within a year"),
        ("unit_cost", or_null(NUMBER), "price of one"),
        ("cost_now", or_null(NUMBER), "price of what to order now"),
        ("year_need", NUMBER, "pieces within a year, mean"),
        ("year_need_low", WHOLE, "low end of its 90 % range"),
        ("year_need_high", WHOLE, "high end of its 90 % range"),
        ("life_from", TEXT, "what its life rests on"), ("ended_lives", NUMBER, "units that failed"),
        ("replaced_on_advice", NUMBER, "units replaced before they met their limit"),
        ("ordered_for", many(cause), "locks that it is ordered for, each with its cause"),
        ("locks", many(TEXT), "locks that hold it"),
    ))
    chances: list[Row] = [
        (f"chance_{weeks}_weeks", or_null(SHARE), f"chance of needing a part within {weeks} weeks")
        for weeks in HORIZONS]
    windows: list[Row] = []
    for coverage in ("50", "90"):
        for end in ("from", "to"):
            windows += [
                (f"limit_met_{coverage}_{end}", or_null(DAY),
                 f"its limit is met {end} this day, {coverage} % range"),
                (f"games_left_{coverage}_{end}", or_null(WHOLE),
                 f"the same in games from now, {coverage} % range")]
    lock = record((
        ("lock", TEXT, "its id"), ("part", or_null(TEXT), "the part it holds"),
        ("sign", TEXT, "what is seen of its wear"),
        ("failing", or_null(TEXT), "condition by which a part is due now"),
        ("part_would_be_for", or_null(TEXT), "condition, wear or age"),
        ("no_part_needed_for", or_null(TEXT), "its fault that needs no part"),
        ("finding", or_null(TEXT), "its most urgent condition"),
        ("cycles", NUMBER, "what its part has done"),
        ("cycles_known_from_new", FLAG, "whether that counts from new"),
        ("cycles_per_week", NUMBER, "of late"),
        ("latency_ms", or_null(NUMBER), "time to release now, ms"),
        ("limit_ms", or_null(NUMBER), "where its life ends, ms"),
        ("limit_from", or_null(TEXT), "what sets that limit"), *chances, *windows, *_LOCK_STATE,
    ))
    refit = record((
        ("lock", TEXT, "its id"), ("room", TEXT, "its room"),
        ("for", many(TEXT), "what is unsafe, by its fixed names"),
    ))
    past = fields_of(Calibration, share={"description": "share that came true", **SHARE})
    return record((
        *_head(version), ("week", WEEK, "ISO week that it is made of"),
        ("currency", or_null(TEXT), "of all prices"),
        ("games_per_week", NUMBER, "the venue's pace of late"),
        ("parts", many(part), "every part of the venue file"),
        ("refits", many(refit), "locks that are to be refitted: no spare part mends them"),
        ("game_price", or_null(NUMBER), "what one game brings in"),
        ("lost_days", many(fields_of(LostDays)), "rooms that stood still in the last year"),
        ("year", many(fields_of(Period)), "the venue's year in steps of four weeks"),
        ("locks", many(lock), "every lock of the venue file"),
        ("past_forecasts", many(past), "how past forecasts turned out"),
    ))


def timing(version: int) -> Schema:
    """The schema of ``timing.json``."""
    from remanence.analytics.timing.answer import LockAnswer
    from remanence.analytics.timing.model import LockModel, PulseGroup, Settings, TimingRail
    from remanence.analytics.timing.sequence import RailLowest, SequenceAnswer, StepAnswer
    from remanence.analytics.timing.together import GroupAnswer

    states: dict[str, Schema] = {name: {"description": meaning, **schema}
                                 for name, schema, meaning in _LOCK_STATE
                                 if name != "pulse_now_ms"}
    seen = {"description": "what the log holds of pulses of the length in use",
            **or_null(fields_of(PulseGroup))}
    step: dict[str, Schema] = {
        key.name: {"description": key.meaning, **or_null(property_of(key))} for key in STEP_KEYS}
    steps = fields_of(StepAnswer, without=("step",), **step)
    rails = fields_of(RailLowest, bears={
        "description": "whether it stays within its window", **or_null(FLAG)})
    answer = {"description": "what to programme", **fields_of(LockAnswer, without=("lock",))}
    return record((
        *_head(version), ("week", WEEK, "ISO week that the states are of"),
        ("venue_name", TEXT, "name of the venue"),
        ("first_day", or_null(DAY), "first day of the log that counts"),
        ("last_day", or_null(DAY), "last day"),
        ("settings", fields_of(Settings), "what the answers are asked for"),
        ("target_keys", many(TEXT), "release probabilities that pulses are worked out for"),
        ("risk_keys", many(TEXT), "chances of a false alarm that waits are worked out for"),
        ("rails", many(fields_of(TimingRail)), "every rail"),
        ("locks", many(fields_of(LockModel, answer=answer, seen_now=seen, **states)),
         "every lock, with its answer"),
        ("sequences", many(fields_of(SequenceAnswer, steps=many(steps), rails=many(rails))),
         "sequences of the venue file"),
        ("groups", many(fields_of(GroupAnswer)), "locks that the log shows fired together"),
    ))
