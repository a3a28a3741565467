"""The draft of a whole venue file out of its logs, with what could not be decided."""

from __future__ import annotations

import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from remanence.pipelines.readers.source import UnreadableSourceError, sources_of
from remanence.pipelines.sniff.draft_logs import DraftLog, LogRecords, draft_logs, records_of
from remanence.pipelines.sniff.toml_text import block_text, quoted
from remanence.pipelines.sniff.who_answers import (
    LEAST_SAG,
    MARGIN,
    Answer,
    Pairing,
    Series,
    pair_up,
    sags,
)
from remanence.shared.errors import RemanenceError

RATED_VOLTS = (5.0, 6.0, 9.0, 12.0, 24.0, 48.0)
"""Supplies that are sold. Common practice, no source."""

NEAR_RATED = 0.25
"""A rail's median lies within this share of its rated volts, a battery on charge included."""

LONGEST_PULSE_S = 5.0
"""A command that rests at 1 and goes to 0 for less than this may be a pulse drawn the other way."""

_CONTAINERS = ("drawer", "box", "chest", "cabinet", "safe", "cupboard", "locker", "case", "desk",
               "schublade", "kiste", "truhe", "schrank", "tresor", "fach", "tiroir", "coffre",
               "cajon", "caja", "cassetto", "lade")
_ROLES = ("coil", "spule", "cmd", "command", "out", "output", "relay", "lock", "switch", "sensor",
          "contact", "feedback", "fb", "sw", "q", "i", "do", "di", "state", "set", "binary_sensor")
_AMPS = re.compile(r"(^|[^a-z])(amps?|amperes?|current|strom|ma)([^a-z]|$)", re.IGNORECASE)


@dataclass
class Draft:
    """The text of the venue file, and the questions, those that matter most first."""

    text: str
    questions: list[str]


@dataclass
class _Questions:
    """What could not be decided, by how much it matters: 0 most; each with what it is asked of."""

    found: dict[tuple[int, str], list[str]] = field(default_factory=dict)

    def ask(self, rank: int, text: str, of: str = "") -> None:
        named = self.found.setdefault((rank, text), [])
        if of and of not in named:
            named.append(of)

    def in_order(self) -> list[str]:
        asked = sorted(self.found.items(), key=lambda item: item[0][0])
        return [f"{', '.join(of)}: {text}" if of else text for (_, text), of in asked]


def draft_venue(files: Sequence[str | Path]) -> Draft:
    """Draft the venue file out of its logs.

    Parameters
    ----------
    files : sequence of path
        The venue's logs, of all its controllers.

    Returns
    -------
    Draft

    Raises
    ------
    RemanenceError
        No file could be read, or nothing in them follows a command.
    """
    ask, sources = _Questions(), []
    for given in files:
        path = Path(given)
        try:
            sources += sources_of(path, path.as_posix())
        except UnreadableSourceError as error:
            ask.ask(0, f"Not read: {error}")
    logs, failed = draft_logs(sources)
    for text in failed:
        ask.ask(0, f"Not read: {text}")
    if not logs:
        raise RemanenceError("\n".join(ask.in_order()))
    records = records_of(logs)
    for log in logs:
        _ask_of_log(log, ask)
    return _Drawing(logs, records, ask).draft()


def _ask_of_log(log: DraftLog, ask: _Questions) -> None:
    what = log.keys["files"][0] if isinstance(log.keys["files"], list) else ""
    if log.rejected:
        ask.ask(1, f"{what}: {log.rejected:,} of {log.read:,} lines were not taken, like "
                f"{quoted(log.example[:100])} ({log.reason}). What stands below rests on the "
                "others only. Are they records?")
    if log.truncated:
        ask.ask(6, f"{what}: only the first {log.read:,} records were looked at.")
    for question in log.questions:
        ask.ask(3, f"{what}: {question}")


class _Drawing:
    """From records to blocks."""

    def __init__(self, logs: list[DraftLog], records: LogRecords, ask: _Questions) -> None:
        self.logs, self.series, self.quantities = logs, records.series, records.quantities
        self.ask = ask
        self.rooms: dict[str, str] = {}
        switches = [c for c in self.series if self._is_switch(c)]
        self.commands = [c for c in switches if self.quantities.get(c) in (None, "command")]
        self.contacts = [c for c in switches if self.quantities.get(c) in (None, "contact")]
        self.rails = [c for c in self.series if c not in switches and self._is_rail(c)]

    def _is_switch(self, channel: str) -> bool:
        said = self.quantities.get(channel)
        values = self.series[channel].values
        return said in ("command", "contact") or (
            said is None and len(values) > 0 and bool(((values == 0) | (values == 1)).all()))

    def _is_rail(self, channel: str) -> bool:
        if self.quantities.get(channel) == "amps" or _AMPS.search(channel):
            return False
        if self.quantities.get(channel) == "volts" or _rated(self._median(channel)):
            return True
        scaled = _rated(self._median(channel) / 1000)
        if scaled:
            self.ask.ask(2, f"{channel}: its readings lie around {self._median(channel):,.0f}; "
                         "they were taken for millivolts. Is that so?")
            self._respell(channel, {"channel": channel, "quantity": "volts", "scale": 0.001})
            series = self.series[channel]
            self.series[channel] = Series(series.times, series.values / 1000)
            return True
        self.ask.ask(4, f"{channel}: its readings lie around {self._median(channel):,.6g}, which "
                     "is no supply's volts. It is passed over; if it is a rail's volts in counts, "
                     "give it a scale below channels and take ignore out.")
        self._respell(channel, {"channel": channel, "ignore": True})
        return False

    def _median(self, channel: str) -> float:
        values = self.series[channel].values
        return float(np.median(values)) if len(values) else 0.0

    def _respell(self, channel: str, spec: dict[str, object]) -> None:
        """Say more of a channel in the block that it comes from."""
        for log in self.logs:
            for label in log.labels.get(channel, ()):
                log.channels[label] = spec

    # The whole.

    def draft(self) -> Draft:
        pairing = pair_up(self.series, self.commands, self.contacts)
        paired = {c for c in pairing.contacts.values() if c}
        locks = [c for c in pairing.contacts
                 if pairing.contacts[c] or self.quantities.get(c) == "command"]
        if not locks:
            seen = ", ".join(sorted(self.series)[:12]) or "no channel"
            raise RemanenceError("no command was found that a contact follows within a second; "
                                 f"the logs hold {seen}. What else was found:\n"
                                 + "\n".join(self.ask.in_order()))
        closed = {c: self._closed_when(pairing, c) for c in locks}
        feeds = {c: self._feed(c, pairing.answers[c]) for c in locks}
        rails = [rail for rail in self.rails if rail in feeds.values()]
        names = _names([*locks, *rails])
        self.rooms = self._rooms(locks)
        head = ["# Drafted from the logs. What could not be decided stands here, most important "
                "first.", *(f"#  {n}. {line}" for n, line in enumerate(self._questions(
                    pairing, locks, paired, closed), start=1)), ""]
        blocks = ['[venue]\nid = "venue"\nname = "Venue"\ntime_zone = "UTC"']
        blocks += [block_text({**log.keys, **({"channels": log.channels} if log.channels else {})})
                   for log in self.logs]
        blocks += [self._supply(rail, names[rail]) for rail in rails]
        if any(feed is None for feed in feeds.values()):
            blocks.append('# No record of its volts; ask for them.\n[[supply]]\nid = "supply"\n'
                          'rated_volts = 12.0')
        blocks += [self._lock(c, names, pairing, closed[c], feeds[c]) for c in locks]
        return Draft("\n".join(head) + "\n\n".join(blocks) + "\n", self.ask.in_order())

    def _questions(
        self, pairing: Pairing, locks: list[str], paired: set[str], closed: dict[str, str]
    ) -> list[str]:
        ask = self.ask
        ask.ask(0, "guards: behind which of the locks can a person be? No log tells. Where the "
                "name does not say that it is a box or drawer, doorway was taken, so that check "
                "warns of a fail-secure lock. Put container only where nobody can be inside.")
        ask.ask(1, "time_zone: UTC was taken; days and weeks are cut in the venue's own zone.")
        ask.ask(5, "mechanism: latch was taken where going to 1 releases, magnet where going to 0 "
                "does. A bolt or strike looks the same in a log: put it right, with released_by.")
        for channel in locks:
            contact, answer = pairing.contacts[channel], pairing.answers[channel]
            other, share = pairing.next_best[channel]
            if contact is None:
                ask.ask(3, "no contact answers. Has the lock a feedback switch?", of=channel)
            elif answer.share - share < MARGIN:
                ask.ask(1, f"{channel}: is its contact {contact} ({answer.share:.0%}) or {other} "
                        f"({share:.0%})? They move together.")
            if contact and answer.command_to == 0 and self._short_off(channel):
                ask.ask(2, "rests at 1 and goes to 0 for short. A latch that is energised by 0 "
                        "looks so: then write mechanism = \"latch\", command_energised = 0.",
                        of=channel)
        left = [c for c in {*self.contacts, *self.commands, *pairing.left}
                if c not in locks and c not in paired]
        if left:
            ask.ask(3, f"In no pair, and left out: {', '.join(sorted(left))}. A contact of no "
                    "lock, or a lock without contact?")
        said = set(closed.values()) - {"unknown"}
        if said == {"open"}:
            ask.ask(2, "Every contact goes to 1 when its lock is released: either all are wired "
                    "so, or the log writes them inverted. Then write one line for the block, on = "
                    "[\"0\"], off = [\"1\"] for its contacts, and closed when locked.")
        return ask.in_order()

    def _short_off(self, channel: str) -> bool:
        times, to = self.series[channel].edges()
        lengths = [(after - at) / 1e6 for at, after, value in zip(
            times, times[1:], to, strict=False) if value == 0]
        return bool(lengths) and statistics.median(lengths) < LONGEST_PULSE_S

    @staticmethod
    def _closed_when(pairing: Pairing, command: str) -> str:
        if pairing.contacts[command] is None:
            return "unknown"
        return "locked" if pairing.answers[command].contact_to == 0 else "open"

    def _feed(self, command: str, answer: Answer) -> str | None:
        """The rail whose volts fall when the command goes to 1; else the only one at hand."""
        falls = sags(self.series[command], 1.0, {rail: self.series[rail] for rail in self.rails})
        best = max(falls, key=lambda rail: falls[rail], default=None)
        if best is not None and falls[best] >= LEAST_SAG:
            return best
        near = [rail for rail in self.rails
                if rail.partition("/")[0] == command.partition("/")[0]]
        choice = near if near else self.rails
        if len(self.rails) > 1:
            self.ask.ask(2, "no rail's volts fall with it; "
                         + (f"{choice[0]} was taken, of the same controller. Is it fed from there?"
                            if len(near) == 1 else f"{choice[0]} was taken. Which feeds it?"),
                         of=command)
        return choice[0] if choice else None

    def _rooms(self, locks: list[str]) -> dict[str, str]:
        """The part of the locks' own names that some share and others do not, if it is a word."""
        labels = {channel: [label for log in self.logs for label in log.labels.get(channel, ())]
                  for channel in locks}
        parts = {channel: (own[0] if own else channel).split("/")[:-1]
                 for channel, own in labels.items()}
        for at in range(min(map(len, parts.values()), default=0)):
            said = {part[at] for part in parts.values()}
            if 1 < len(said) < len(parts) and all(re.search("[A-Za-z]{3}", s) for s in said):
                return {channel: re.sub(r"[-_]+", " ", part[at]).title()
                        for channel, part in parts.items()}
        return {}

    # Blocks.

    def _supply(self, rail: str, name: str) -> str:
        median = self._median(rail)
        rated = _rated(median)
        if rated is None:
            self.ask.ask(2, f"{rail}: its median is {median:.4g} V. What are its rated volts?")
        return "\n".join(["[[supply]]", f"id = {quoted(name)}", f"channel = {quoted(rail)}",
                          f"rated_volts = {rated or max(1.0, round(median, 1))}"
                          f"  # median of the log: {median:.2f} V"])

    def _lock(
        self, command: str, names: dict[str, str], pairing: Pairing, closed: str, feed: str | None
    ) -> str:
        answer, contact = pairing.answers[command], pairing.contacts[command]
        magnet = contact is not None and answer.command_to == 0
        room = self.rooms.get(command)
        other, share = pairing.next_best[command]
        lines = ["[[lock]]", f"id = {quoted(names[command])}"]
        lines += [f"room = {quoted(room)}"] if room else []
        inside = any(word in f"{command} {contact or ''}".lower() for word in _CONTAINERS)
        lines += [f'guards = "{"container" if inside else "doorway"}"'
                  + ("" if inside else "  # ask: can a person be behind it?"),
                  f'mechanism = "{"magnet" if magnet else "latch"}"'
                  + ("" if contact else "  # ask: no contact tells"),
                  f"supply = {quoted(names[feed] if feed else 'supply')}",
                  f"command = {quoted(command)}"]
        if contact:
            lines += [f"contact = {quoted(contact)}  # answers {answer.answered:,} of "
                      f"{answer.edges:,} within a second, share {answer.share:.2f}"
                      + (f"; next best {other} {share:.2f}" if other else ""),
                      f'contact_closed_when = "{closed}"']
        return "\n".join(lines)


def _rated(volts: float) -> float | None:
    near = min(RATED_VOLTS, key=lambda rated: abs(volts / rated - 1))
    return near if abs(volts / near - 1) <= NEAR_RATED else None


def _words(channel: str) -> list[str]:
    return [word for word in re.split(r"[^\w]+|_", channel.partition("/")[2] or channel) if word]


def _names(channels: list[str]) -> dict[str, str]:
    """An id for each channel out of its words, each its own."""
    names: dict[str, str] = {}
    for channel in channels:
        words = [word for word in _words(channel) if word.lower() not in _ROLES]
        name = re.sub(r"[^a-z0-9._-]+", "-", "-".join(words or _words(channel)).lower()).strip("-")
        if not name or len(name) <= 3 or name in names.values():
            name = re.sub(r"[^a-z0-9._-]+", "-", channel.lower()).strip("-._") or "lock"
        while name in names.values():
            name += "-2"
        names[channel] = name
    return names

