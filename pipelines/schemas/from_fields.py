"""A JSON Schema from a dataclass: a property a field, typed and described as the class has it."""

from __future__ import annotations

import re
import types
import typing
from collections.abc import Collection
from dataclasses import fields, is_dataclass
from datetime import date
from inspect import cleandoc
from typing import Any

from remanence.pipelines.schemas.from_keys import Schema

_PLAIN: dict[object, Schema] = {
    str: {"type": "string"}, bool: {"type": "boolean"}, int: {"type": "integer"},
    float: {"type": "number"}, date: {"type": "string", "format": "date"},
}
_SECTION = re.compile(r"\n\s*\n(?:Attributes|Parameters)\n-+\n(.*?)(?:\n\n|\Z)", re.DOTALL)


def meanings_of(kind: type) -> dict[str, str]:
    """What each field means, from the class's docstring; names on one line share a text.

    Parameters
    ----------
    kind : type
        A class whose docstring has a section ``Attributes``.

    Returns
    -------
    dict of str to str
        Empty where Python runs without docstrings.
    """
    found = _SECTION.search(cleandoc(kind.__doc__ or ""))
    meanings: dict[str, str] = {}
    names: list[str] = []
    for line in found[1].splitlines() if found else ():
        if line and not line[0].isspace():
            names = [name.strip() for name in line.partition(" : ")[0].split(",")]
        else:
            for name in names:
                meanings[name] = f"{meanings.get(name, '')} {line.strip()}".strip()
    return {name: re.sub(r":\w+:`~?\.?([^`]+)`|``([^`]+)``", r"\1\2", text)
            for name, text in meanings.items()}


def fields_of(kind: type, *, without: Collection[str] = (), **instead: Schema) -> Schema:
    """The schema of what a dataclass becomes in JSON, every field by its name.

    Parameters
    ----------
    kind : type
        A dataclass with type hints of plain values, dataclasses, tuples and mappings.
    without : collection of str, default ()
        Fields that are left out.
    **instead : dict
        The schemas of fields that become something else, and of fields that are added.

    Returns
    -------
    dict
        Every field is there in each object, maybe null.
    """
    hints, meanings = typing.get_type_hints(kind), meanings_of(kind)
    properties = {item.name: {"description": meanings.get(item.name, ""),
                              **(instead.get(item.name) or type_of(hints[item.name]))}
                  for item in fields(kind) if item.name not in without}
    properties |= {name: schema for name, schema in instead.items() if name not in properties}
    return {"type": "object", "properties": properties, "required": sorted(properties)}


def type_of(hint: Any) -> Schema:
    """The schema of a type hint.

    Raises
    ------
    TypeError
        There is no such value in JSON: the caller says what the field becomes.
    """
    if hint in _PLAIN:
        return dict(_PLAIN[hint])
    if is_dataclass(hint) and isinstance(hint, type):
        return fields_of(hint)
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return or_null(type_of(next(one for one in inner if one is not type(None))))
    if origin in (tuple, list):
        items = type_of(inner[0]) if len(set(inner) - {...}) == 1 else {}
        return {"type": "array", "items": items}
    if origin is dict or getattr(origin, "__name__", "") == "Mapping":
        return {"type": "object", "additionalProperties": type_of(inner[1])}
    raise TypeError(f"no JSON Schema for {hint!r}")


def or_null(schema: Schema) -> Schema:
    """The same, or null where nothing is known."""
    if isinstance(schema.get("type"), str):
        return {**schema, "type": [schema["type"], "null"]}
    return {"anyOf": [schema, {"type": "null"}]}
