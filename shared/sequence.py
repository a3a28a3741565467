"""A sequence of the show: locks that are commanded and cues that are started, on one time axis."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from remanence.shared.errors import Problem
from remanence.shared.keys import Key, nearest, read_block, shown

CUES = ("sound", "light")

SEQUENCE_KEYS = (
    Key("id", "text", "the sequence's name", required=True),
    Key("name", "text", "the sequence as people say it"),
)
STEP_KEYS = (
    Key("lock", "text", "the lock that is commanded; a step has this or cue"),
    Key("cue", "choice", "the kind of cue that is started; a step has this or lock", choices=CUES),
    Key("offset_ms", "number", "when the command is sent or the cue is started, after the start of "
        "the sequence", required=True, low=-60_000, high=3_600_000, unit="of ms"),
    Key("opens_at_ms", "number", "of a lock: when it should open, after the start of the sequence; "
        "default: its usual time to release after its command", low=-60_000, high=3_600_000,
        unit="of ms"),
    Key("within_ms", "number", "of a lock: how far from that the opening may be; default "
        "45 ms, which reads as one event", low=0, above=True, high=600_000, unit="of ms"),
    Key("goes_with", "text", "of a cue: the lock whose opening it belongs to; default: the lock "
        "commanded last before it"),
)

_OF_LOCK, _OF_CUE = ("opens_at_ms", "within_ms"), ("goes_with",)


@dataclass(frozen=True)
class Step:
    """One step: a lock that is commanded, or a cue that is started.

    The fields are the keys of ``[[sequence.step]]``; None: not stated. ``goes_with`` of a cue is
    always there.
    """

    offset_ms: float
    lock: str | None = None
    cue: str | None = None
    opens_at_ms: float | None = None
    within_ms: float | None = None
    goes_with: str | None = None


@dataclass(frozen=True)
class Sequence:
    """A sequence; ``line`` is its block's line in the venue file."""

    id: str
    name: str
    steps: tuple[Step, ...]
    line: int = 0


def read_sequence(
    block: Mapping[str, Any], where: str, line_of: Callable[..., int], locks: set[str]
) -> tuple[Sequence | None, list[Problem]]:
    """One ``[[sequence]]`` block.

    Parameters
    ----------
    block : mapping
        The block as the TOML parser gave it.
    where : str
        How messages call it.
    line_of : callable
        From a path below the block to its line.
    locks : set of str
        Ids of the venue's locks.

    Returns
    -------
    sequence : Sequence or None
        None where it cannot be used.
    problems : list of Problem
        Everything that is wrong with it.
    """
    own = {key: value for key, value in block.items() if key != "step"}
    values, problems = read_block(own, SEQUENCE_KEYS, where, lambda key: line_of(key))
    raw = block.get("step", [])
    if not isinstance(raw, list) or not all(isinstance(item, Mapping) for item in raw):
        problems.append(Problem(line_of("step"), where, "step", shown(raw),
                                "write [[sequence.step]], one block for each step"))
        raw = []
    steps: list[Step] = []
    for index, item in enumerate(raw):
        place = f"{where}, step {index + 1}"

        def line(key: str, index: int = index) -> int:
            return line_of("step", index, key)

        found, wrong = read_block(item, STEP_KEYS, place, line)
        wrong += _step_problems(item, found, place, line, locks, steps)
        problems += wrong
        if not wrong:
            steps.append(_with_default(found, steps))
    if len([step for step in steps if step.lock]) < 1 and not problems:
        problems.append(Problem(line_of("step"), where, "step", "no step with a lock",
                                "add [[sequence.step]] with lock and offset_ms"))
    if problems:
        return None, problems
    return Sequence(values["id"], values.get("name", values["id"]), tuple(steps), line_of()), []


def _with_default(found: Mapping[str, Any], steps: list[Step]) -> Step:
    """The step; a cue that names no lock goes with the one commanded last before it."""
    step = Step(**found)
    if step.cue is None or step.goes_with is not None:
        return step
    before = [other for other in steps if other.lock]
    return Step(**{**found, "goes_with": max(before, key=lambda other: other.offset_ms).lock})


def _step_problems(
    item: Mapping[str, Any], found: Mapping[str, Any], where: str, line: Callable[[str], int],
    locks: set[str], steps: list[Step],
) -> list[Problem]:
    problems: list[Problem] = []

    def wrong(key: str, what: str, right: str) -> None:
        problems.append(Problem(line(key), where, key, what, right))

    if ("lock" in item) is ("cue" in item):
        wrong("lock", "lock and cue" if "lock" in item else "neither lock nor cue",
              "give lock for a command, or cue for a sound or light: one of the two")
        return problems
    lock, with_lock = found.get("lock"), found.get("goes_with")
    for key, name in (("lock", lock), ("goes_with", with_lock)):
        if name is not None and name not in locks:
            wrong(key, f"{shown(name)}, which no [[lock]] block has as its id",
                  nearest(name, sorted(locks)).replace("known keys", "known lock ids"))
    for key in _OF_CUE if "lock" in item else _OF_LOCK:
        if key in item:
            wrong(key, shown(item[key]), f"a {'lock' if 'lock' in item else 'cue'} has no such "
                  "key; take it out")
    before = [step.lock for step in steps if step.lock]
    if lock in before:
        wrong("lock", f"{shown(lock)} a second time in this sequence",
              "give each lock one step; a retry is no step")
    if "cue" in item and not problems:
        if with_lock is not None and with_lock not in before:
            wrong("goes_with", f"{shown(with_lock)}, which no step before this one commands",
                  "put the lock's step before the cue's")
        elif with_lock is None and not before:
            wrong("cue", shown(item["cue"]), "put the step of the lock that it belongs to before "
                  "it, whichever of the two comes first in time")
    return problems
