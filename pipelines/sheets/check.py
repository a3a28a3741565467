"""``remanence check``: the wiring schedule, and what is unsafe in it."""

from __future__ import annotations

import textwrap
from typing import Any

from remanence.analytics.conditions.fitting import fitting_notes
from remanence.dashboards.finding_words import FindingText
from remanence.dashboards.page import language
from remanence.shared.findings import Finding
from remanence.shared.live_source import LiveSource
from remanence.shared.venue import Lock, Venue

HEADINGS = ("lock", "mechanism", "on power loss", "guards", "supply", "command", "feedback",
            "suppression", "ratings")
_COLUMNS = 5
"""So many of them stand side by side; the rest, longer and of any length, beneath."""


def _command(lock: Lock) -> str:
    return lock.command + (" (active low)" if lock.command_energised == 0 else "")


def _feedback(lock: Lock) -> str:
    if lock.contact is None:
        return "end of the sag (self-cutting)" if lock.self_cut else "none: release not observed"
    state = {"locked": "closed when locked", "open": "closed when open",
             "unknown": "way round not known"}[lock.contact_closed_when]
    return f"{lock.contact}: {lock.contact_senses}, {state}" + (
        ", cuts its coil" if lock.self_cut else ""
    )


def _ratings(lock: Lock) -> str:
    words = [f"{lock.rated_volts:g} V"]
    if lock.amps is not None:
        words.append(f"{lock.amps:.2g} A")
    if lock.continuous:
        words.append("continuous")
    else:
        if lock.max_on_ms is not None:
            words.append(f"at most {lock.max_on_ms:.10g} ms")
        if lock.duty_percent is not None:
            words.append(f"duty {lock.duty_percent:g} %")
    if lock.holding_newtons is not None:
        words.append(f"holds {lock.holding_newtons:g} N")
    if lock.cable_metres is not None:
        gauge = (f" {lock.cable_mm2:g} mm2" if lock.cable_mm2 is not None
                 else f" AWG {lock.cable_awg}" if lock.cable_awg is not None else "")
        words.append(f"cable {lock.cable_metres:g} m{gauge}")
    return ", ".join(words)


def _source(source: LiveSource) -> str:
    words = f"{source.kind} {source.address}"
    if source.kind == "mqtt":
        words += f", MQTT {source.protocol}, topics {' '.join(source.topics)}" + (
            ", encrypted" if source.tls else "")
    return f"{words}, recorded in {source.log.files[0].rpartition('/')[0]}"


def _source_notes(source: LiveSource) -> list[str]:
    """What is no fault of a source, and can surprise."""
    said, where = [], f'source "{source.id}"'
    host = source.host_port[0] if source.kind in ("mqtt", "syslog") else ""
    near = host in ("localhost", "::1") or host.startswith("127.")
    if source.kind == "mqtt" and not near and not source.tls:
        said.append(f"{where}: the connection to {host} is not encrypted; whoever listens on the "
                    "network reads messages and password. Set tls = true")
    if source.kind == "syslog" and not near:
        said.append(f"{where}: anybody who reaches {source.address} can send records; syslog knows "
                    "no password")
    if source.kind == "serial" and not source.address.startswith("/dev/serial/by-"):
        said.append(f"{where}: {source.address} can name another port after a restart; a path "
                    "below /dev/serial/by-id stays the same")
    if source.kind == "mqtt" and source.log.counts and "wall" not in source.log.columns:
        said.append(f"{where}: its times count from the controller's start, and a broker may hold "
                    "messages back, so nothing tells the true time; let the payload carry one and "
                    "name it with columns = { wall = ... }")
    return said


def wiring_schedule(venue: Venue) -> str:
    """The wiring schedule as aligned text: a block per room, and of each lock what it is in
    columns, how it is wired and rated beneath.
    """
    rows = {
        room: [
            (
                lock.id, lock.mechanism,
                "opens (fail-safe)" if lock.fail_safe else "stays locked (fail-secure)",
                lock.guards, lock.supply, _command(lock), _feedback(lock), lock.suppression,
                _ratings(lock),
            )
            for lock in venue.locks if lock.room == room
        ]
        for room in venue.rooms
    }
    table = [HEADINGS, *(row for room in rows.values() for row in room)]
    widths = [max(len(row[i]) for row in table) for i in range(_COLUMNS)]

    def line(row: tuple[str, ...]) -> str:
        first = "  " + "  ".join(
            cell.ljust(width) for cell, width in zip(row, widths, strict=False)).rstrip()
        return f"{first}\n{_wrapped('; '.join(row[_COLUMNS:]), '      ')}"

    out = [f"{venue.name} ({venue.id}), times in {venue.time_zone}", ""]
    out += [
        f"  supply {s.id}: {s.rated_volts:g} V"
        + (f", {s.rated_amps:g} A" if s.rated_amps else "") + f", {s.source}, "
        + (f"volts from {s.channel}, taken at the {s.measured_at}" if s.channel
           else "volts not logged")
        + f", feeds {_counted(len(venue.locks_on(s.id)), 'lock')}"
        for s in venue.supplies
    ]
    out += [f"  source {source.id}: {_source(source)}" for source in venue.sources]
    for room, locks in rows.items():
        out += ["", room or "(no room named)", line(HEADINGS), *map(line, locks)]
    return "\n".join(out) + "\n"


def notes(venue: Venue) -> list[str]:
    """What is no fault of the file but keeps something from being told, a sentence each."""
    said = []
    for lock in venue.locks:
        where = f'lock "{lock.id}"'
        if lock.latency_kind is None:
            said.append(f"{where}: no feedback is wired; its releases cannot be observed")
        if lock.contact and lock.contact_closed_when == "unknown":
            said.append(f"{where}: which way round its contact works is learned from the log")
        if lock.contact_controller not in (None, lock.command_controller):
            said.append(
                f"{where}: command and feedback are stamped by two clocks "
                f"({lock.command_controller}, {lock.contact_controller}); its latency is only as "
                "good as their agreement"
            )
        if lock.amps is None:
            said.append(f"{where}: neither coil_ohms nor rated_amps; coil heat and load unknown")
    said += [f'lock "{note.lock}": {language("en")(f"note.{note.id}")}'
             for note in fitting_notes(venue)]
    for supply in venue.supplies:
        if supply.channel is None:
            said.append(f'supply "{supply.id}": no channel; its volts are not logged')
    said += [note for source in venue.sources for note in _source_notes(source)]
    if venue.service_log is None and any(lock.on_way_out for lock in venue.locks):
        said.append("[venue]: no service_log; dated release tests cannot be kept")
    return said


def schedule(venue: Venue, unsafe: list[Finding]) -> dict[str, Any]:
    """What :func:`report_text` tells, for programs."""
    text = FindingText(language("en"), venue)
    return {
        "venue": venue.id,
        "locks": [{"lock": lock.id, "room": lock.room, "mechanism": lock.mechanism,
                   "released_by": lock.released_by, "guards": lock.guards, "rail": lock.supply,
                   "command": lock.command, "feedback": lock.contact, "part": lock.part,
                   "suppression": lock.suppression} for lock in venue.locks],
        "unsafe": [text.json(finding) for finding in unsafe],
        "notes": notes(venue),
    }


def report_text(venue: Venue, unsafe: list[Finding]) -> str:
    """Everything ``remanence check`` prints for a file that is free of faults."""
    text = FindingText(language("en"), venue)
    out = [wiring_schedule(venue)]
    if unsafe:
        out.append(f"UNSAFE: {len(unsafe)} thing{'s' if len(unsafe) > 1 else ''} here can hurt "
                   "someone")
        for finding in unsafe:
            line = venue.locks_by_id[finding.subject].line if (
                finding.subject in venue.locks_by_id) else 0
            place = f"line {line}, " if line else ""
            said = " ".join(text.sentences(finding))
            out.append(_wrapped(f'{place}{finding.subject_kind} "{finding.subject}": {said}',
                                "  ! "))
            out.append(_wrapped(text.check_text(finding), "    "))
        out.append("")
    remarks = notes(venue)
    if remarks:
        out.append("Worth knowing")
        out += [_wrapped(remark, "  - ") for remark in remarks]
        out.append("")
    supplies = len(venue.supplies)
    out.append(
        f"No faults in the file: {_counted(len(venue.locks), 'lock')}, "
        f"{supplies} suppl{'ies' if supplies != 1 else 'y'}.\n"
        "Remanence advises and is no safety device: prove release on power loss and emergency\n"
        "stop by test; local codes and licensed people decide."
    )
    return "\n".join(out)


def _counted(number: int, word: str) -> str:
    return f"{number} {word}{'s' if number != 1 else ''}"


def _wrapped(text: str, lead: str) -> str:
    return textwrap.fill(text, 98, initial_indent=lead, subsequent_indent=" " * len(lead))
