"""JSON Schemas of the files that programs and editors read: the venue file and what comes out.

Each is made from what the program itself goes by: the key tables of the venue file and of the
chain's file, and the fields of the numbers that a sheet writes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.pipelines.schemas.schemas import SCHEMAS, schema_of, schema_text

__all__ = ["SCHEMAS", "schema_of", "schema_text"]

__getattr__ = on_demand(__name__, {"schemas": ("SCHEMAS", "schema_of", "schema_text")})
