"""``chain.json`` against its schema: a chain in which there is something of everything."""

from __future__ import annotations

import json

from jsonschema import Draft202012Validator, FormatChecker

from remanence.analytics.chain import Member, chain_view
from remanence.pipelines.chain.chain_json import chain_json
from remanence.pipelines.schemas import schema_of
from tests.dashboards.test_chain_pages import view  # noqa: F401 - a fixture
from tests.pipelines.sheets.test_demo import closed


def wrong(text: bytes) -> list[str]:
    rules = Draft202012Validator(closed(schema_of("chain-json")), format_checker=FormatChecker())
    return [f"{error.json_path}: {error.message}" for error in rules.iter_errors(json.loads(text))]


def test_all_that_a_chain_can_say_fits_the_schema_and_has_no_other_key(view):  # noqa: F811
    text = chain_json(view)
    data = json.loads(text)
    assert all(data[name] for name in (
        "venues", "parts", "stock", "slow_beside_others", "bad_batches"))
    assert any(item["transfers"] for item in data["stock"])
    assert any(item["fault"] for item in data["venues"])
    assert wrong(text) == []


def test_a_chain_of_which_nothing_is_known_fits_it_too():
    assert wrong(chain_json(chain_view("c", [Member("lost", fault="gone")]))) == []


def test_what_is_not_as_the_schema_says_breaks_it(view):  # noqa: F811
    data = json.loads(chain_json(view))
    for change in ({"schema": 99}, {"more": 1}, {"venues": [{}]}):
        assert wrong(json.dumps({**data, **change}).encode())
