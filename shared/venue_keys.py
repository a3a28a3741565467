"""Every key of the venue file but those of ``[[log]]``, with kind, bounds and meaning."""

from __future__ import annotations

from remanence.shared.keys import Key
from remanence.shared.limits import limit_fields

MECHANISMS = ("magnet", "latch", "bolt", "strike")

VENUE_KEYS = (
    Key("id", "text", "the venue's short name: letters, digits, . _ -", required=True),
    Key("name", "text", "the venue's name as people say it"),
    Key("time_zone", "text", 'IANA time zone, like "Europe/Lisbon"; days and weeks are cut in it',
        required=True),
    Key("store", "text", "folder of the Parquet store, relative to this file, or a place "
        "in a bucket, like s3://bucket/harbour"),
    Key("service_log", "text", "CSV file of the service log, relative to this file"),
    Key("order_log", "text", "CSV file of what was ordered and what arrived, relative to this "
        "file; default orders.csv"),
    Key("currency", "text", "currency of unit costs, like EUR"),
    Key("game_price", "number", "what one game brings in, in that currency: what a room that "
        "stays shut costs", low=0),
    Key("release_test_days", "number", "how often each lock on a way out is release-tested by "
        "hand", low=0, above=True, high=3660, unit="of days"),
    Key("served_at", "text", "where the pages are served in the venue's network, like "
        "http://192.168.1.20:8080; the work sheet's square codes lead there"),
)

SUPPLY_KEYS = (
    Key("id", "text", "the rail's name", required=True),
    Key("channel", "text", "the channel whose volts records are this rail's"),
    Key("rated_volts", "number", "rated volts", required=True, low=0, above=True, high=60),
    Key("rated_amps", "number", "rated amps", low=0, above=True, high=1000),
    Key("source", "choice", "where it draws from", choices=("mains", "battery")),
    Key("measured_at", "choice", "where the volts are taken", choices=("supply", "branch")),
)

PART_KEYS = (
    Key("id", "text", "the part's name", required=True),
    Key("description", "text", "what it is"),
    Key("unit_cost", "number", "price of one", low=0),
    Key("lead_time_days", "number", "order to delivery", low=0, high=3660, unit="of days"),
    Key("in_stock", "integer", "how many lie on the shelf", low=0),
    Key("counted", "date", "the day on which in_stock was counted: what arrived since is added, "
        "what was fitted since is taken off; without it all that arrived is added"),
    Key("rated_cycles", "integer", "the maker's rated life", low=1, unit="of cycles"),
)

LOCK_KEYS = (
    Key("id", "text", "the lock's name", required=True),
    Key("room", "text", "the room it is in"),
    Key("guards", "choice", "container: no person can be inside; doorway: people pass or stand "
        "behind it", required=True, choices=("container", "doorway")),
    Key("mechanism", "choice", "what holds it shut", required=True, choices=MECHANISMS),
    Key("released_by", "choice", "power-on is fail-secure, power-off is fail-safe",
        choices=("power-on", "power-off")),
    Key("supply", "text", "the rail that feeds it", required=True),
    Key("command", "text", "channel of the energise command", required=True),
    Key("command_energised", "choice", "the value that energises", choices=(0, 1)),
    Key("contact", "text", "channel of the feedback switch"),
    Key("contact_closed_when", "choice", "what a closed contact means",
        choices=("locked", "open", "unknown")),
    Key("contact_senses", "choice", "what moves the contact",
        choices=("catch", "armature", "door")),
    Key("self_cut", "flag", "whether its own switch interrupts its coil once it has opened"),
    Key("suppression", "choice", "what takes up the coil's energy at switch-off",
        choices=("diode", "tvs", "none", "unknown")),
    Key("rated_volts", "number", "rated volts of the coil", low=0, above=True, high=60),
    Key("coil_ohms", "number", "coil resistance at 20 degrees Celsius", low=0, above=True,
        high=100_000, unit="of ohms"),
    Key("rated_amps", "number", "coil current at rated volts", low=0, above=True, high=100),
    Key("max_on_ms", "number", "longest energising the coil is rated for; leave out for "
        "continuous duty", low=0, above=True, unit="of ms"),
    Key("duty_percent", "number", "share of time the coil may be on; leave out for continuous "
        "duty", low=0, above=True, high=100),
    Key("insulation_class", "choice", "what the winding bears (IEC 60085): A 105, E 120, B 130, "
        "F 155, H 180 degrees Celsius", choices=("A", "E", "B", "F", "H")),
    Key("coil_rise_kelvin", "number", "how much the coil warms in the end if held on at rated "
        "volts", low=0, above=True, high=500, unit="of kelvin"),
    Key("coil_time_minutes", "number", "thermal time constant of the coil: 63 % of that rise",
        low=0, above=True, high=600, unit="of minutes"),
    Key("holding_newtons", "number", "rated holding force", low=0, above=True),
    Key("cable_metres", "number", "cable length, one way", low=0, high=10_000),
    Key("cable_mm2", "number", "cross-section of one conductor", low=0, above=True, high=100),
    Key("cable_awg", "integer", "the same as a wire gauge", low=0, high=40),
    Key("part", "text", "the part to order for it"),
    Key("installed", "date", "the day it was fitted"),
    Key("release_within_ms", "number", "the designer's limit for a good release", low=0,
        above=True, unit="of ms"),
)

LIMIT_KEYS = tuple(
    Key(name, "number", limit["reason"], low=limit["low"], high=limit["high"],
        unit=f"in {limit['unit']}")
    for name, limit in limit_fields().items()
)
