"""Write the pages whose content stands in the program: keys, tables, conditions, reference."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from reference import PAGES, Page

from remanence.analytics.conditions import catalogue
from remanence.dashboards.page import Language, language
from remanence.pipelines.commands import build_parser
from remanence.pipelines.readers import FORMATS, all_readers
from remanence.pipelines.schemas import SCHEMAS, schema_of, schema_text
from remanence.shared.findings import STATE_OF_URGENCY
from remanence.shared.keys import Key
from remanence.shared.limits import limit_fields
from remanence.shared.live_source import SOURCE_KEYS
from remanence.shared.log_format import log_keys
from remanence.shared.sequence import SEQUENCE_KEYS, STEP_KEYS
from remanence.shared.tables import FINDINGS, RESULTS, TABLES
from remanence.shared.tell_target import TELL_KEYS
from remanence.shared.venue_keys import LOCK_KEYS, PART_KEYS, SUPPLY_KEYS, VENUE_KEYS


def _cell(text: object) -> str:
    return str(text).replace("|", "\\|").replace("\n", " ").replace("[[", "\\[\\[")


def _table(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    lines = ["| " + " | ".join(heads) + " |", "|" + " --- |" * len(heads)]
    lines += ["| " + " | ".join(_cell(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _values(key: Key) -> str:
    if key.choices:
        return ", ".join(f"`{choice}`" for choice in key.choices)
    words = {"text": "text", "texts": "list of text", "number": "number", "flag": "true or false",
             "integer": "whole number", "date": "date", "table": "table"}.get(key.kind, key.kind)
    if math.isfinite(key.high):
        words += f", {key.low:g} to {key.high:g}" if math.isfinite(key.low) else ""
    elif math.isfinite(key.low):
        words += f", above {key.low:g}" if key.above else f", {key.low:g} or more"
    return words


def _formats() -> list[str]:
    """Every format of log, and the keys that only its reader knows."""
    out = [_table(("format", "what such a log is", "told by the ending"), [
        (f"`{name}`", reader.meaning, " ".join(f"`{ending}`" for ending in reader.endings))
        for name, reader in sorted(all_readers().items())])]
    for name, keys in FORMATS.items():
        if keys:
            out += [f"Only with `format = \"{name}\"`:\n", _table(
                ("key", "values", "meaning"),
                [(f"`{key.name}`", _values(key), key.meaning) for key in keys])]
    return out


def venue_file() -> str:
    """Every key of the venue file."""
    out = ["# The venue file\n",
           "`remanence check VENUE` names everything wrong in it at once, with line and key.\n"]
    blocks = (("[venue]", VENUE_KEYS), ("[[log]]", log_keys(FORMATS)), ("[[source]]", SOURCE_KEYS),
              ("[[tell]]", TELL_KEYS),
              ("[[supply]]", SUPPLY_KEYS), ("[[part]]", PART_KEYS), ("[[lock]]", LOCK_KEYS),
              ("[[sequence]]", SEQUENCE_KEYS), ("[[sequence.step]]", STEP_KEYS))
    for name, keys in blocks:
        rows = [(f"`{key.name}`", "yes" if key.required else "", _values(key), key.meaning)
                for key in keys]
        out += [f"## `{name}`\n", _table(("key", "needed", "values", "meaning"), rows)]
        if name == "[[log]]":
            out += _formats()
    out.append("## `[limits]`\n")
    out.append("What a person might want to tune, each with its reason and source.\n")
    rows = [(f"`{name}`", f"{limit['default']:g} {limit['unit']}", limit["reason"],
             limit["source"]) for name, limit in limit_fields().items()]
    out.append(_table(("key", "default", "what for", "source"), rows))
    return "\n".join(out)


def tables() -> str:
    """Every kept table with its columns and units."""
    out = ["# What is kept\n",
           "Every table can be exported with `remanence export VENUE TABLE FILE` and read from "
           "Python. Times are UTC to the microsecond.\n"]
    for table in (*TABLES.values(), *RESULTS.values()):
        if table is FINDINGS:
            out.append("# What is worked out from it\n\nRead from Python, for any span of weeks.\n")
        rows = [(f"`{c.name}`", c.dtype, c.unit, c.meaning) for c in table.columns]
        out += [f"## `{table.name}`\n", f"{table.meaning} Sorted by "
                + ", ".join(f"`{name}`" for name in table.sorted_by) + ".\n",
                _table(("column", "type", "unit", "meaning"), rows)]
    return "\n".join(out)


def conditions() -> str:
    """Every condition: whom it is said of, when, and what to check at the bench."""
    lang = language("en")
    out = ["# Conditions\n",
           "What can be said of a lock, a rail or a controller. Each finding carries the numbers "
           "it rests on, since when, how sure, how urgent ("
           + "; ".join(f"`{urgency}`: {lang(f'state.{state}')}"
                       for urgency, state in STATE_OF_URGENCY.items())
           + "), what it could also be, and the check that would decide. Switch off and secure the "
           "supply before touching, except for live measurements; coils run hot.\n"]
    for condition in catalogue().values():
        key = f"condition.{condition.name}"
        whom = ", ".join(condition.subject_kinds)
        if condition.mechanisms and len(condition.mechanisms) < 4:
            whom += f" ({', '.join(condition.mechanisms)})"
        out += [f"## {condition.name}\n", f"**{lang(key + '.wrong')}.** Said of: {whom}.\n",
                f"{lang(f'{key}.means')}\n"]
        named = [lang(f"figure.{figure}") for figure in condition.figures]
        out += ["Figures: " + "; ".join(named) + ".\n",
                f"Told apart: {lang(f'{key}.told_apart')}\n",
                f"Needs: {lang(f'{key}.needs')}\n"]
        out += [*_checks(condition.name, lang), ""]
        for kind in condition.subject_kinds:
            if checks := _checks(f"{condition.name}-{kind}", lang):
                out += [f"Where it is said of a {kind}:\n", *checks, ""]
    return "\n".join(out)


def _checks(name: str, lang: Language) -> list[str]:
    """The numbered checks of a condition, or of a condition of one kind of subject."""
    out: list[str] = []
    while lang.has(f"check.{name}.{len(out) + 1}.do"):
        check = f"check.{name}.{len(out) + 1}"
        out.append(f"{len(out) + 1}. {lang(f'{check}.do')} *Expect:* {lang(f'{check}.expect')} "
                   f"*If not:* {lang(f'{check}.means')}")
    return out


def _schema_rows(schema: dict[str, Any], path: str = "") -> Iterator[tuple[str, str, str]]:
    """Every key below an object: its path, its values, its meaning."""
    for name, part in schema.get("properties", {}).items():
        inner = part.get("items", part)
        listed = "[]" if "items" in part else ""
        values = ", ".join(f"`{choice}`" for choice in inner.get("enum", ())) or _type_words(part)
        yield f"`{path}{name}{listed}`", values, part.get("description", "")
        yield from _schema_rows(inner, f"{path}{name}{listed}.")


def _type_words(part: dict[str, Any]) -> str:
    if "const" in part:
        return str(part["const"])
    kinds = part.get("type") or [one.get("type", "") for one in part.get("anyOf", ())]
    kinds = [kinds] if isinstance(kinds, str) else kinds
    return " or ".join(kind for kind in kinds if kind) or "any"


def outputs() -> str:
    """Every key of the files that programs read."""
    out = ["# Files for programs\n",
           "What `report`, `timing`, `parts` and `chain` write for other programs, and the file "
           "that `chain` reads, with JSON Schemas. "
           "`remanence schema NAME` prints a schema; an editor that knows JSON Schema checks a "
           "venue file with `remanence schema venue` while one writes it. Each file carries the "
           "version of its schema as `schema`: it rises where a key goes or changes its meaning, "
           "not where one is added. Times without a zone are days of the venue.\n"]
    for name, (file, _) in SCHEMAS.items():
        if name == "venue":
            continue
        out += [f"## {file}\n", f"`remanence schema {name}` prints its schema.\n",
                _table(("key", "values", "meaning"), list(_schema_rows(schema_of(name))))]
    return "\n".join(out)


def commands() -> str:
    """The help of every command, as the program prints it."""
    parser = build_parser()
    action = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    out = ["# Commands\n",
           "`VENUE` is the venue file, or the folder it is in. Exit status: 0 done; 1 the data or "
           "the venue file is at fault, and the message says where; 2 usage; 3 where `--fail-on` "
           "was given and a finding of that urgency stands.\n"]
    for name, sub in action.choices.items():
        sub.formatter_class = lambda prog: argparse.HelpFormatter(prog, width=88)
        out += [f"## remanence {name}\n", f"```text\n{sub.format_help().rstrip()}\n```\n"]
    return "\n".join(out)


def reference(page: Page) -> str:
    """One page of what can be called from Python."""
    out = [f"# {page.title}\n", f"{page.answers}\n", f"```pycon\n{page.example.rstrip()}\n```\n"]
    for module, names in page.modules.items():
        members = ":members:" + (f" {', '.join(names)}" if names else "")
        out += [f"## {module}\n",
                f"```{{eval-rst}}\n.. automodule:: {module}\n   {members}\n```\n"]
    return "\n".join(out)


def write_generated(folder: Path) -> None:
    """Write all generated pages into ``folder``."""
    folder.mkdir(exist_ok=True)
    pages = {"venue-file": venue_file, "tables": tables, "conditions": conditions,
             "commands": commands, "outputs": outputs}
    for name, make in pages.items():
        (folder / f"{name}.md").write_text(make(), encoding="utf-8")
    (folder / "schemas").mkdir(exist_ok=True)
    for name in SCHEMAS:
        (folder / "schemas" / f"{name}.schema.json").write_text(schema_text(name), encoding="utf-8")
    for page in PAGES:
        (folder / f"{page.name}.md").write_text(reference(page), encoding="utf-8")
