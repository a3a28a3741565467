"""Every schema by the name of its file, and the schema of the venue file."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping

from remanence.pipelines.schemas.from_keys import Schema, block_of, blocks_of
from remanence.shared.errors import RemanenceError
from remanence.shared.keys import nearest

DRAFT = "https://json-schema.org/draft/2020-12/schema"

VENUE_SCHEMA = CHAIN_FILE_SCHEMA = 1
"""Versions of the schemas of the venue file and of the chain's; a key that is added does not raise
them."""


def _channel_values() -> Schema:
    """What a channel of the log may stand for: ``channels`` of a ``[[log]]`` block."""
    from remanence.shared.log_format import CHANNEL_KEYS

    one: Schema = {"anyOf": [{"type": "string", "minLength": 1}, block_of(CHANNEL_KEYS)]}
    return {"additionalProperties": {"anyOf": [*one["anyOf"], {"type": "array", "items": one}]}}


def _venue() -> Schema:
    from remanence.pipelines.readers import FORMATS
    from remanence.shared.live_source import SOURCE_KEYS
    from remanence.shared.log_format import log_keys
    from remanence.shared.sequence import SEQUENCE_KEYS, STEP_KEYS
    from remanence.shared.tell_target import TELL_KEYS
    from remanence.shared.venue_keys import (
        LIMIT_KEYS,
        LOCK_KEYS,
        PART_KEYS,
        SUPPLY_KEYS,
        VENUE_KEYS,
    )

    inner = {"channels": _channel_values(), "format": {"enum": list(FORMATS)}}
    every = {key.name: key for key in (*log_keys(FORMATS), *(
        key for keys in FORMATS.values() for key in keys))}
    blocks: dict[str, Schema] = {
        "venue": block_of(VENUE_KEYS, "the venue as a whole"),
        "log": blocks_of(tuple(every.values()), "a kind of log file", inner),
        "source": blocks_of(SOURCE_KEYS, "where records arrive live", {
            "channels": inner["channels"]}),
        "supply": blocks_of(SUPPLY_KEYS, "a rail"), "part": blocks_of(PART_KEYS, "a spare part"),
        "lock": blocks_of(LOCK_KEYS, "a lock"),
        "tell": blocks_of(TELL_KEYS, "who is told of what is new"),
        "sequence": blocks_of(SEQUENCE_KEYS, "a sequence of the show"),
        "limits": block_of(LIMIT_KEYS, "what a person might want to tune"),
    }
    blocks["sequence"]["items"]["properties"]["step"] = blocks_of(STEP_KEYS, "one step of it")
    return {"$comment": _version(VENUE_SCHEMA), "type": "object", "properties": blocks,
            "required": ["venue", "lock"], "additionalProperties": False}


def _chain() -> Schema:
    from remanence.shared.chain_file import CHAIN_KEYS, CHAIN_VENUE_KEYS, DEPOT_KEYS

    whole = block_of(CHAIN_KEYS)
    whole["properties"] |= {
        "venue": blocks_of(CHAIN_VENUE_KEYS, "what is said of some of the venues"),
        "depot": blocks_of(DEPOT_KEYS, "where spare parts lie for several venues")}
    return {"$comment": _version(CHAIN_FILE_SCHEMA), **whole}


def _version(number: int) -> str:
    return f"version {number} of this schema; a key that is added does not raise it"


def _findings() -> Schema:
    from remanence.pipelines.schemas.outputs import findings
    from remanence.pipelines.sheets.report_sheet import FINDINGS_SCHEMA

    return findings(FINDINGS_SCHEMA)


def _timing() -> Schema:
    from remanence.pipelines.schemas.outputs import timing
    from remanence.pipelines.sheets.timing_sheet import TIMING_SCHEMA

    return timing(TIMING_SCHEMA)


def _parts() -> Schema:
    from remanence.pipelines.schemas.outputs import parts
    from remanence.pipelines.sheets.parts_sheet import PARTS_SCHEMA

    return parts(PARTS_SCHEMA)


def _chain_json() -> Schema:
    from remanence.pipelines.chain.chain_json import CHAIN_SCHEMA
    from remanence.pipelines.schemas.chain_outputs import chain

    return chain(CHAIN_SCHEMA)


SCHEMAS: Mapping[str, tuple[str, Callable[[], Schema]]] = {
    "venue": ("venue.toml", _venue), "findings": ("findings.json", _findings),
    "timing": ("timing.json", _timing), "parts": ("parts.json", _parts),
    "chain": ("chain.toml", _chain), "chain-json": ("chain.json", _chain_json),
}
"""From a schema's name to the file that it describes, and what makes it."""


def schema_of(name: str) -> Schema:
    """One schema.

    Parameters
    ----------
    name : str
        One of :data:`SCHEMAS`.

    Returns
    -------
    dict
        JSON Schema, draft 2020-12.

    Raises
    ------
    RemanenceError
        There is no such schema.
    """
    if name not in SCHEMAS:
        raise RemanenceError(f"schema: found {name!r}; {nearest(name, list(SCHEMAS))}")
    file, make = SCHEMAS[name]
    return {"$schema": DRAFT, "title": f"Remanence: {file}", **make()}


def schema_text(name: str) -> str:
    """The same as the text of a file."""
    return json.dumps(schema_of(name), indent=1, ensure_ascii=False) + "\n"
