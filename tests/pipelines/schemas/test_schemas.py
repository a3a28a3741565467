"""The JSON Schemas: of the venue file, against the program's own check; and the command."""

from __future__ import annotations

import json
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from remanence.pipelines.commands import AT_FAULT, DONE, main
from remanence.pipelines.readers import FORMATS
from remanence.pipelines.schemas import SCHEMAS, schema_of
from remanence.shared.errors import VenueFileError
from remanence.shared.venue_file import parse_venue

ROOT = Path(__file__).parents[3]
VENUES = sorted((ROOT / "sample_data").rglob("venue.toml"))


def plain(value: Any) -> Any:
    """What TOML holds, as JSON would hold it."""
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [plain(item) for item in value]
    return value.isoformat() if isinstance(value, date) else value


def wrong(text: str) -> list[str]:
    """Where a venue file breaks its schema."""
    errors = Draft202012Validator(schema_of("venue")).iter_errors(plain(tomllib.loads(text)))
    return [error.json_path for error in errors]


@pytest.mark.parametrize("name", SCHEMAS)
def test_a_schema_is_one_and_every_key_of_it_has_a_meaning(name):
    schema = schema_of(name)
    Draft202012Validator.check_schema(schema)
    bare = []

    def walk(part: Any, path: str) -> None:
        if not isinstance(part, dict):
            return
        for key, inner in part.get("properties", {}).items():
            if not inner.get("description"):
                bare.append(f"{path}.{key}")
            walk(inner, f"{path}.{key}")
        for key in ("items", "additionalProperties"):
            walk(part.get(key), path)
        for inner in part.get("anyOf", ()):
            walk(inner, path)

    walk(schema, name)
    assert not bare


@pytest.mark.parametrize("path", VENUES, ids=lambda path: path.parent.name)
def test_a_venue_file_that_the_program_takes_fits_its_schema(path):
    assert wrong(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(("old", "new"), [
    ("duty_percent = 10", "duty_per_cent = 10"),
    ("duty_percent = 10", "duty_percent = 0"),
    ("max_on_ms = 500", 'max_on_ms = "500"'),
    ('mechanism = "latch"', 'mechanism = "latches"'),
    ('mechanism = "latch"\n', ""),
    ("in_stock = 2", "in_stock = 2.5"),
    ('format = "csv"', 'format = "cvs"'),
    ("[[part]]", "[[parts]]"),
    ('[[part]]', '[limits]\ncoast = 3\n[[part]]'),
])
def test_what_the_program_refuses_key_by_key_the_schema_refuses_too(harbour_text, old, new):
    assert wrong(harbour_text) == []
    text = harbour_text.replace(old, new, 1)
    assert text != harbour_text
    with pytest.raises(VenueFileError):
        parse_venue(text, formats=FORMATS)
    assert wrong(text)


def test_the_command_prints_a_schema_and_names_those_there_are(capsys):
    assert main(["schema", "venue"]) == DONE
    assert json.loads(capsys.readouterr().out) == schema_of("venue")
    assert main(["schema", "venues"]) == AT_FAULT
    assert "did you mean venue?" in capsys.readouterr().err
