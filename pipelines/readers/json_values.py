"""Values inside a JSON object, by dotted paths of keys. Imports nothing heavy."""

from __future__ import annotations

import json
from typing import Any


def value_at(item: object, path: str) -> object:
    """What stands at a dotted path of keys; None where nothing does."""
    if isinstance(item, dict) and path in item:
        return item[path]
    if isinstance(item, str) and item.lstrip().startswith(("{", "[")):
        try:
            item = json.loads(item)
        except (ValueError, RecursionError):
            return None
        return value_at(item, path)
    head, dot, rest = path.partition(".")
    inner: object = None
    if isinstance(item, dict):
        inner = item.get(head)
    elif isinstance(item, list) and head.isascii() and head.isdigit() and len(head) < 9:
        inner = item[int(head)] if int(head) < len(item) else None
    return value_at(inner, rest) if dot and inner is not None else inner if not dot else None


def payload_object(payload: str) -> dict[str, Any] | None:
    """The object that a payload is, or None."""
    if not payload.lstrip().startswith("{"):
        return None
    try:
        found = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None
