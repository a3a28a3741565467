"""A JSON Schema from key tables: one object a block, one property a key, its meaning with it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from remanence.shared.keys import Key

Schema = dict[str, Any]

_TYPES: Mapping[str, Schema] = {
    "text": {"type": "string", "minLength": 1},
    "texts": {"type": "array", "items": {"type": "string", "minLength": 1}, "minItems": 1},
    "flag": {"type": "boolean"},
    "date": {"type": "string", "format": "date"},
    "table": {"type": "object"},
    "integer": {"type": "integer"},
    "number": {"type": "number"},
}


def property_of(key: Key) -> Schema:
    """The schema of one key's value, with its meaning as the description.

    Parameters
    ----------
    key : Key
        Any.

    Returns
    -------
    dict
        Bounds that are infinite are left out.
    """
    schema: Schema = {"description": key.meaning}
    if key.choices:
        return {**schema, "enum": list(key.choices)}
    schema |= _TYPES[key.kind]
    if key.kind in ("integer", "number"):
        if math.isfinite(key.low):
            schema["exclusiveMinimum" if key.above else "minimum"] = key.low
        if math.isfinite(key.high):
            schema["maximum"] = key.high
    return schema


def block_of(
    keys: Sequence[Key], meaning: str = "", inner: Mapping[str, Schema] | None = None
) -> Schema:
    """The schema of one block: its keys and no others.

    Parameters
    ----------
    keys : sequence of Key
        What it may hold.
    meaning : str
        What the block says.
    inner : mapping of str to dict, optional
        The values of these keys, which a key table does not describe.

    Returns
    -------
    dict
    """
    schema: Schema = {
        "type": "object",
        "properties": {key.name: {**property_of(key), **(inner or {}).get(key.name, {})}
                       for key in keys},
        "additionalProperties": False,
    }
    required = [key.name for key in keys if key.required]
    if required:
        schema["required"] = required
    return {"description": meaning, **schema} if meaning else schema


def blocks_of(keys: Sequence[Key], meaning: str, inner: Mapping[str, Schema] | None = None
              ) -> Schema:
    """The schema of blocks that may come several times."""
    return {"description": meaning, "type": "array", "items": block_of(keys, "", inner)}
