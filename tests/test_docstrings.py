"""Everything a person calls with tables of their own says what it takes, gives and raises."""

from __future__ import annotations

import ast
import builtins
import dataclasses
import doctest
import importlib
import importlib.util
import inspect
import math
import re
import sys
import textwrap
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from remanence.analytics.clocks.polling import polling_of
from remanence.analytics.history import History
from remanence.analytics.pairing.edges import RECORDS
from remanence.analytics.parts.forecasts import calibration
from remanence.analytics.parts.unit_lives import replacements
from remanence.analytics.parts.weekly_level import weekly_levels
from remanence.analytics.physics import coil_heat as coil
from remanence.analytics.physics import supply
from remanence.analytics.physics.latency import release_latency
from remanence.analytics.physics.measured_heat import measured_heat
from remanence.analytics.physics.on_times import ON_TIMES, on_times
from remanence.analytics.physics.release_fit import loaded
from remanence.analytics.physics.source_resistance import source_resistance, with_load
from remanence.analytics.timing.together import groups_in_log, joint_spread
from remanence.shared import errors
from remanence.shared.tables import RESULTS, TABLES
from remanence.shared.venue import Lock, Part, Supply, Venue
from remanence.shared.venue_file import parse_venue
from remanence.shared.venue_keys import LOCK_KEYS, PART_KEYS, SUPPLY_KEYS, VENUE_KEYS
from remanence.shared.weeks import Week

ROOT = Path(__file__).parents[1]
SECTIONS = ("Parameters", "Returns", "Raises", "Notes", "References", "Attributes", "Examples")
COLUMNS = re.compile(r"((?:``\w+``(?:,\s+and\s+|,\s+|\s+and\s+|\s+))+)of\s+([A-Z_]{4,})\b")
SCHEMA_OF = {name.upper(): dict(table.schema)
             for name, table in {**TABLES, **RESULTS, "on_times": ON_TIMES}.items()}
KEYS = {Lock: LOCK_KEYS, Part: PART_KEYS, Supply: SUPPLY_KEYS, Venue: VENUE_KEYS}
"""Fields whose meaning stands with the keys of the venue file."""


def reference():
    """The pages of the reference, which name what is public."""
    spec = importlib.util.spec_from_file_location("reference", ROOT / "docs" / "reference.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules.setdefault("reference", module)
    spec.loader.exec_module(module)
    return module.PAGES


PAGES = reference()


def sections(text):
    """The parts of a docstring in numpydoc's form; what comes first has no name."""
    found, name = {"": []}, ""
    lines = inspect.cleandoc(text).split("\n")
    for place, line in enumerate(lines):
        after = lines[place + 1] if place + 1 < len(lines) else ""
        if line in SECTIONS and set(after) == {"-"}:
            name = line
            found[name] = []
        elif not (line and set(line) == {"-"}):
            found[name].append(line)
    return found


def entries(lines):
    """Names, type line and text of each entry of a section."""
    found = []
    for line in lines:
        match = re.match(r"(\*{0,2}\w+(?:, \*{0,2}\w+)*)(?: : (.+))?$", line)
        if match and not line.startswith(" "):
            names = [name.lstrip("*") for name in match[1].split(", ")]
            found.append((names, match[2] or "", []))
        elif found:
            found[-1][2].append(line.strip())
    return [(names, kind, " ".join(text)) for names, kind, text in found]


def public():
    """Every public function, method and property, and every public class, with its name."""
    functions, classes = {}, {}
    for page in PAGES:
        for name, chosen in page.modules.items():
            module = importlib.import_module(name)
            own = {key: thing for key, thing in vars(module).items()
                   if not key.startswith("_") and getattr(thing, "__module__", "") == name}
            assert set(chosen) <= set(own), f"{name}: {set(chosen) - set(own)}"
            for key, thing in own.items():
                if chosen and key not in chosen:
                    continue
                if inspect.isclass(thing):
                    classes[f"{name}.{key}"] = thing
                    for part, value in vars(thing).items():
                        inner = getattr(value, "__func__", value)
                        inner = getattr(inner, "fget", None) or getattr(inner, "func", inner)
                        if not part.startswith("_") and inspect.isfunction(inner):
                            functions[f"{name}.{key}.{part}"] = (
                                inner, not inspect.isfunction(value)
                                and not isinstance(value, classmethod | staticmethod))
                elif inspect.isfunction(thing):
                    functions[f"{name}.{key}"] = (thing, False)
    return functions, classes


FUNCTIONS, CLASSES = public()
CALLED = {name: function for name, (function, is_property) in FUNCTIONS.items() if not is_property}


def default_stated(kind):
    match = re.search(r", default (.+)$", kind)
    if match is None:
        return None
    return math.inf if match[1] == "infinity" else ast.literal_eval(match[1])


def faults_of(function):
    """What the docstring of a function leaves out or says wrongly."""
    faults = []
    text = function.__doc__ or ""
    parts = sections(text)
    if not "".join(parts[""]).strip():
        faults.append("no first sentence")
    signature = inspect.signature(function)
    wanted = {name: item for name, item in signature.parameters.items()
              if name not in ("self", "cls")}
    told = {}
    for names, kind, words in entries(parts.get("Parameters", [])):
        for name in names:
            told[name] = kind
            if name not in wanted:
                faults.append(f"{name}: no such argument")
        if not kind or not words:
            faults.append(f"{', '.join(names)}: no type, or no words")
    for name, item in wanted.items():
        if name not in told:
            faults.append(f"{name}: not under Parameters")
            continue
        default, kind = item.default, told[name]
        if default in (inspect.Parameter.empty, None):
            if "default" in kind:
                faults.append(f"{name}: no default {kind!r}")
            if default is None and "optional" not in kind:
                faults.append(f"{name}: 'optional' is not said")
        elif "default" not in kind or default_stated(kind) != default:
            faults.append(f"{name}: the default is {default!r}, said is {kind!r}")
    for names, kind, words in entries(parts.get("Parameters", [])):
        if "polars.DataFrame" in kind and not re.search(
            r"[A-Z]{4,}|:func:|[Aa]ny table|``\w+``|name; each brought", words
        ):
            faults.append(f"{', '.join(names)}: which columns?")
    gives = signature.return_annotation not in (None, "None")
    if gives and not "".join(parts.get("Returns", [])).strip():
        faults.append("no Returns")
    raised = [line for line in parts.get("Raises", []) if line and not line.startswith(" ")]
    for name in raised:
        known = {**vars(builtins), **vars(errors), **vars(pl.exceptions)}
        if name.removeprefix("polars.exceptions.") not in known:
            faults.append(f"Raises: there is no {name}")
    faults += [f"{name}: not under Raises" for name in raises(function) - set(raised)]
    for names, table in COLUMNS.findall(text):
        if table not in SCHEMA_OF:
            faults.append(f"there is no table {table}")
        else:
            faults += [f"{table} has no column {name}"
                       for name in re.findall(r"``(\w+)``", names) if name not in SCHEMA_OF[table]]
    faults += untold_needs(function, parts)
    return faults


def tree_of(function):
    return ast.parse(textwrap.dedent(inspect.getsource(function)))


def raises(function):
    """What a function raises itself, and what the check of a table's columns raises."""
    found = set()
    for node in ast.walk(tree_of(function)):
        if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
            found.add(node.exc.func.id)
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "require":
            found.add("TableError")
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "check_limits":
            found.add("ValueError")
    return found


def untold_needs(function, parts):
    """Tables and columns that the code asks for and the words of that argument do not name."""
    words = {name: f"{kind} {text}" for names, kind, text in entries(parts.get("Parameters", []))
             for name in names}
    for node in ast.walk(tree_of(function)):
        if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") == "require"):
            continue
        frame, table = node.args[0].id, getattr(node.args[1], "id", "")
        said = words.get(frame, "")
        if table and frame in words and table not in said:
            yield f"{frame}: {table} is needed, and not named"
        columns = node.args[2] if len(node.args) > 2 else None
        for name in ast.walk(columns) if columns else ():
            value = getattr(name, "value", None)
            if isinstance(value, str) and f"``{value}``" not in said:
                yield f"{frame}: column {value} is needed, and not named"


@pytest.mark.parametrize("name", sorted(CALLED))
def test_a_public_function_says_what_it_takes_gives_and_raises(name):
    assert faults_of(CALLED[name]) == []


def test_every_public_property_says_what_it_is():
    for name, (function, is_property) in FUNCTIONS.items():
        assert not is_property or (function.__doc__ or "").strip(), name


@pytest.mark.parametrize("name", sorted(CLASSES))
def test_a_public_class_says_what_each_of_its_fields_is(name):
    thing = CLASSES[name]
    assert not (thing.__doc__ or "").startswith(f"{thing.__name__}("), "made by dataclass"
    if dataclasses.is_dataclass(thing) and "limits.Limits" not in name:
        source = inspect.getsource(thing)
        of_the_file = {key.name for key in KEYS.get(thing, ())}
        told = set(re.findall(r"(\w+)(?:, \w+)* : |``(\w+\*?)``", thing.__doc__))
        told = {word for pair in told for word in pair}
        told |= {name for names, _, _ in entries(sections(thing.__doc__).get("Attributes", []))
                 for name in names}
        told |= set(re.findall(r'^    (\w+):[^\n]*\n    """', source, re.MULTILINE))
        for item in dataclasses.fields(thing):
            assert item.name in told | of_the_file or any(
                word.endswith("*") and item.name.startswith(word[:-1]) for word in told
            ), item.name


def test_the_reference_names_every_analysis_once():
    named = [module for page in PAGES for module in page.modules]
    assert len(named) == len(set(named))
    assert len(FUNCTIONS) > 150


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_the_example_of_a_page_runs(page):
    # What is wider has to be pushed aside to be read on the page.
    assert max(map(len, page.example.split("\n"))) < 80
    test = doctest.DocTestParser().get_doctest(page.example, {}, page.name, page.name, 0)
    said = []
    result = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(
        test, out=said.append)
    assert result.failed == 0, "".join(said)
    assert any(example.want for example in test.examples)


VENUE = parse_venue("""
[venue]
id = "mill"
time_zone = "Europe/Lisbon"
[[log]]
files = ["*.csv"]
format = "csv"
[[supply]]
id = "rail"
rated_volts = 12.0
[[lock]]
id = "flour-bin"
guards = "container"
mechanism = "latch"
supply = "rail"
command = "north/q1"
self_cut = true
coil_ohms = 10.0
max_on_ms = 500
""")
NONE = np.zeros(0, dtype=np.int64)
TABLES_GIVEN = [
    (release_latency, ("ACTUATIONS", ()), {}),
    (polling_of, (RECORDS.to_frame(),), {}),
    (on_times, ("ENERGISINGS", VENUE, "ACTUATIONS"), {}),
    (coil.coil_heat, ("ON_TIMES", VENUE), {}),
    (coil.heat_at_start, ("ON_TIMES", VENUE), {}),
    (measured_heat, ("ACTUATIONS", VENUE), {}),
    (coil.loaded_volts, ("ACTUATIONS",), {}),
    (loaded, ("ACTUATIONS", None, 20.0), {}),
    (with_load, ("ACTUATIONS", VENUE), {}),
    (source_resistance, ("ACTUATIONS", VENUE), {}),
    (supply.recovery, ("ACTUATIONS", VENUE), {}),
    (groups_in_log, ("ACTUATIONS",), {"within_ms": 5.0, "least": 2.0}),
    (joint_spread, ("ACTUATIONS", ("a", "b")), {"more": {"moment": pl.Int64}}),
    (weekly_levels, ("ACTUATIONS",), {"more": {"weeks_ago": pl.Int64}}),
    (calibration, ("FORECASTS", replacements(History.of(VENUE, Week.parse("2026-W47"))),
                   date(2026, 11, 2)), {}),
]


@pytest.mark.parametrize(("function", "given", "named"), TABLES_GIVEN,
                         ids=[f.__name__ for f, _, _ in TABLES_GIVEN])
def test_the_columns_named_are_enough_and_those_of_the_answer_are_all_named(
    function, given, named
):
    named = dict(named)
    more = named.pop("more", {})
    parts = sections(function.__doc__)
    words = [(f"{kind} {text}", names) for names, kind, text in entries(parts["Parameters"])
             for _ in names]
    arguments = []
    for (said, _), value in zip(words, given, strict=False):
        if isinstance(value, str):
            wanted = {name for names, table in COLUMNS.findall(said) if table == value
                      for name in re.findall(r"``(\w+)``", names)}
            # The schema is named where all of it is asked for.
            assert wanted or re.search(rf"Schema {value}\b", said), said
            schema = {**SCHEMA_OF[value], **more}
            value = pl.DataFrame(schema={
                name: kind for name, kind in schema.items()
                if not wanted or name in wanted or name in more})
        arguments.append(value)
    answer = function(*arguments, **named)
    if "TableError" in parts.get("Raises", []):
        with pytest.raises(errors.TableError):
            function(*(pl.DataFrame() if isinstance(value, pl.DataFrame) else value
                       for value in arguments), **named)
    if isinstance(answer, pl.DataFrame):
        before = {name for value in arguments if isinstance(value, pl.DataFrame)
                  for name in value.columns if name not in ("lock", "supply")}
        told = set(re.findall(r"``(\w+)``", " ".join(parts["Returns"])))
        quantiles = {name for name in answer.columns if re.match(r"p\d\d_(low_|high_)?ms$", name)}
        by = {"lock", "supply"}
        assert set(answer.columns) - before - told - quantiles - by == set()
