"""What ``chain.json`` holds, key by key: the chain's pages for programs."""

from __future__ import annotations

from remanence.pipelines.schemas.from_fields import fields_of, or_null
from remanence.pipelines.schemas.from_keys import Schema
from remanence.pipelines.schemas.outputs import (
    DAY,
    FLAG,
    MOMENT,
    NUMBER,
    SHARE,
    TEXT,
    WEEK,
    WHOLE,
    many,
    record,
)
from remanence.shared.findings import STATES, URGENCIES

_COUNTS: Schema = {"type": "object", "additionalProperties": WHOLE}

_VENUE = record((
    ("path", TEXT, "its folder or file, relative to the chain's file"),
    ("venue", or_null(TEXT), "its id; null: its state is not known"),
    ("name", TEXT, "its name"), ("labels", many(TEXT), "what the chain's file calls it"),
    ("technician", or_null(TEXT), "who looks after it"),
    ("fault", TEXT, "why its state is not known; empty where it is"),
    ("week", or_null(WEEK), "ISO week of its report"),
    ("last_day", or_null(DAY), "newest day of its log"),
    ("findings", or_null({**_COUNTS, "propertyNames": {"enum": list(URGENCIES)}}),
     "findings that stand, counted by urgency"),
    ("locks", or_null({**_COUNTS, "propertyNames": {"enum": list(STATES)}}),
     "locks, counted by state"),
))

_PART = record((
    ("part", TEXT, "its id, one part in all venues"),
    ("venues", WHOLE, "venues that fit it"), ("locks", WHOLE, "locks that hold it"),
    ("ended_lives", WHOLE, "units that failed"), ("lives", WHOLE, "units in all"),
    ("b10_cycles", WHOLE, "cycles that 9 in 10 reach, median"),
    ("b10_low", WHOLE, "low end of its 95 % range"),
    ("b10_high", WHOLE, "high end of its 95 % range"),
    ("life_from", TEXT, "what its life rests on"),
    ("rated_cycles", or_null(NUMBER), "the maker's figure"),
    ("early_probability", or_null(SHARE), "probability that fewer than 9 in 10 reach it"),
    ("fails_early", FLAG, "whether that is sure enough, and rests on failures enough, to be said"),
    ("venues_that_see_it_alone", WHOLE, "venues whose own units would say so"),
))

_TRANSFER = record((
    ("from", TEXT, "the depot or venue that sends"),
    ("from_depot", FLAG, "whether that is a depot"), ("to", TEXT, "the venue that needs"),
    ("count", WHOLE, "pieces"), ("lock", or_null(TEXT), "the lock that needs one first"),
))

_STOCK = record((
    ("part", TEXT, "its id"),
    ("depot", or_null(TEXT), "whose stock; null: venues that help each other out"),
    ("at_depot", WHOLE, "pieces that lie there"),
    ("on_shelves", WHOLE, "pieces that lie in its venues"),
    ("lead_time_days", NUMBER, "order to delivery"),
    ("keep_at_least", WHOLE, "pieces to have in all"), ("order_now", WHOLE, "pieces"),
    ("order_in_weeks", or_null(NUMBER), "weeks until an order is due; null: not within a year"),
    ("expected_need_until_delivery", NUMBER, "pieces, mean"),
    ("year_need", NUMBER, "pieces within a year, mean"),
    ("venues_would_order", WHOLE, "pieces that the venues would order, each for itself"),
    ("unit_cost", or_null(NUMBER), "the lowest price that a venue states"),
    ("currency", TEXT, "of that price"), ("transfers", many(_TRANSFER), "what to send today"),
))


def chain(version: int) -> Schema:
    """The schema of ``chain.json``."""
    from remanence.analytics.chain import Batch, SlowBeside

    running = {"description": "where units of it still run", **many(record((
        ("venue", TEXT, "the venue's id"), ("lock", TEXT, "the lock's id"))))}
    return record((
        ("schema", {"const": version}, "version of this schema"),
        ("chain", TEXT, "name of the chain"),
        ("made_at", MOMENT, "when the file was made, UTC; follows SOURCE_DATE_EPOCH where set"),
        ("remanence", TEXT, "version of the program"),
        ("venues", many(_VENUE), "every venue, in the order of what needs hands"),
        ("parts", many(_PART), "the life of each part, from all venues that fit it"),
        ("stock", many(_STOCK), "each part in the care of a depot, or of the venues together"),
        ("slow_beside_others", many(fields_of(SlowBeside)),
         "locks that release much later than the same model in other venues"),
        ("bad_batches", many(fields_of(Batch, running=running)),
         "units of one part, fitted within some days, that fail far oftener"),
    ))
