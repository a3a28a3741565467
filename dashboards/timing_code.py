"""The recommended values for a controller: a C header and YAML, units in every name."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

import numpy as np

from remanence.analytics.health.lock_state import LockState
from remanence.analytics.timing.answer import LockAnswer
from remanence.analytics.timing.gather import Timing
from remanence.analytics.timing.model import LockModel, Settings
from remanence.dashboards.lock_state_words import state_line
from remanence.dashboards.page import language

_NO_PULSE = {
    "none": "no pulse does both: it needs {shortest:.0f} ms, its rating allows {longest:.0f} ms",
    "mend": "it needs {shortest:.0f} ms, far longer than others of its model: repair it, do not "
            "lengthen the pulse",
    "door": "no pulse is read from a contact on a door: a person's time is in it",
    "unobserved": "nothing shows when it releases, and no lock of the same model does",
    "coarse-clock": "it cannot be measured with this clock",
    "too-few": "too few releases, and no lock of the same model to go by",
}

_CHANGE = {
    "short": "too short", "margin": "with little to spare", "long": "more than the coil bears",
    "battery": "longer than a battery should have to bear",
    "rail": "longer than a crowded rail should have to bear",
}


def stems(names: list[str]) -> dict[str, str]:
    """A C identifier for each name, no two alike: ``LOCK_CHART_DRAWER``."""
    chosen: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        base = "LOCK_" + (re.sub(r"[^A-Za-z0-9]+", "_", name).strip("_").upper() or "UNNAMED")
        candidate, number = base, 2
        while candidate in taken:
            candidate, number = f"{base}_{number}", number + 1
        taken.add(candidate)
        chosen[name] = candidate
    return chosen


def values_of(answer: LockAnswer, magnet: bool) -> Iterator[tuple[str, float | int]]:
    """Name and value of everything recommended for one lock; what is not known is left out."""
    pulse, wait = answer.pulse, answer.wait
    word = "off_time" if magnet else "pulse"
    found: list[tuple[str, float | int | None]] = [
        (f"{word}_ms", pulse.recommended_ms),
        (f"{word}_shortest_ms", pulse.shortest_ms if pulse.state != "mend" else None),
        (f"{word}_longest_ms", pulse.longest_ms), ("retry_after_ms", wait.retry_ms),
        ("retries", wait.retries), ("stuck_after_ms", wait.stuck_ms),
    ]
    for name, cue in (("sound", answer.sound), ("light", answer.light)):
        if not cue.feedback:
            found.append((f"cue_{name}_after_command_ms", cue.offset_ms))
    for name, value in found:
        if value is not None:
            yield name, value


def how_found(
    model: LockModel, answer: LockAnswer, settings: Settings, known: LockState | None = None
) -> list[str]:
    """Comment lines: what the values rest on, and what must be known before they are used."""
    pulse = answer.pulse
    lines = [] if known is None or known.state == "good" else [state_line(known, language("en"))]
    if model.basis == "own":
        lines.append(f"from {model.released} releases and {model.unanswered} unanswered commands "
                     f"of its own, {model.first_day} to {model.last_day}")
    elif model.basis == "borrowed":
        lines.append(f"borrowed: {model.released} releases of its own, {model.borrowed_releases} "
                     f"of {', '.join(model.siblings)} (same part)")
    if model.changed is not None:
        lines.append(f"it changed about {model.changed}: only what came after counts")
    if pulse.stated is not None:
        at = f" at {answer.slow_volts:g} V and more" if answer.slow_volts is not None else ""
        lines.append(f"releases at the first try in {100 * pulse.stated:.3f} % of openings or "
                     f"more{at} (one-sided 95 % confidence)")
    if pulse.expected is not None:
        lines.append(f"expected: {100 * pulse.expected:.3f} %; count on the lower figure")
    now = model.pulse_now_ms
    if pulse.change == "keep":
        lines.append(f"the pulse in use, {now:.10g} ms: keep it")
    elif pulse.change and now is not None:
        lines.append(f"in use now: {now:.10g} ms, {_CHANGE[pulse.change]}")
    if pulse.untried and pulse.below_log:
        lines.append("TEST IT FIRST: shorter than any pulse in the log; the catch had moved by "
                     "then, see that it stays open when the current ends")
    elif pulse.untried:
        lines.append("TEST IT FIRST: no pulse in the log was of this length")
    if pulse.state in _NO_PULSE:
        lines.append("NO RECOMMENDED VALUE: " + _NO_PULSE[pulse.state].format(
            shortest=pulse.shortest_ms or 0.0, longest=pulse.longest_ms or 0.0))
    if pulse.state == "tight":
        lines.append("the rating leaves less than the usual margin")
    if pulse.falls_short == "misses":
        lines.append(f"{model.miss.missed} of {model.miss.commands} went unanswered with a pulse "
                     "long enough: no length cures that")
    elif pulse.falls_short == "few":
        own = "no commands" if pulse.stated is None else "too few commands"
        lines.append(f"{own} of its own to promise {100 * settings.target:g} % by")
    if answer.sound.feedback:
        lines.append("start cues from its feedback, not from the command")
    if model.on_way_out:
        lines.append("on an exit route: must open by hand and on loss of power, whatever is set "
                     "here; prove it by test")
    return lines


def _head(timing: Timing, version: str) -> list[str]:
    days = (f"data: {timing.first_day} to {timing.last_day}" if timing.first_day
            else "data: none, ratings only")
    return [
        f"Timing of the locks of {timing.venue_name} ({timing.venue})",
        f"by remanence {version}; {days}",
        f"pulses: upper 95 % bound of what releases {100 * timing.settings.target:g} % of "
        f"openings, times {timing.settings.pulse_margin:g}",
        f"waits: false alarm at most {timing.settings.risk:g} of openings where retries allow it",
        "cues: Rec. ITU-R BT.1359-1, detectability (sound 45 ms early to 125 ms late)",
        "Advice, no safety device: release on power loss and emergency stop is proven by test.",
    ]


def _comment(text: str) -> str:
    """Text that cannot end or open a C comment, nor hold a control character."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    return plain.replace("*/", "* /").replace("/*", "/ *").replace("??/", "?? /").rstrip("\\")


def c_header(
    timing: Timing, version: str, states: Mapping[str, LockState] | None = None
) -> str:
    """A plain C header (C89): one ``#define`` a value, whole milliseconds, how it was found.

    A value that is not known has no ``#define``: a program that needs it does not compile,
    rather than run with a made-up one.
    """
    guard = "REMANENCE_" + (re.sub(r"[^A-Za-z0-9]+", "_", timing.venue).upper()) + "_TIMING_H"
    out = ["/*", *(f" * {_comment(line)}" for line in _head(timing, version)), " */",
           f"#ifndef {guard}", f"#define {guard}", ""]
    names = stems([model.lock for model in timing.models])
    for model, answer in zip(timing.models, timing.answers, strict=True):
        title = model.lock + (f" ({model.room})" if model.room else "")
        out.append(f"/* {_comment(title)}")
        out += [f" * {_comment(line)}" for line in how_found(
            model, answer, timing.settings, (states or {}).get(model.lock))]
        out.append(" */")
        for name, value in values_of(answer, model.magnet):
            whole = round(value)
            text = f"({whole})" if whole < 0 else str(whole)
            out.append(f"#define {names[model.lock]}_{name.upper()} {text}")
        out.append("")
    for number, group in enumerate(timing.groups, 1):
        out.append(f"/* fired together: {_comment(', '.join(group.locks))}")
        out.append(" * delays after the common command that bring the openings together */")
        for lock, delay in zip(group.locks, group.delays_ms, strict=True):
            if lock not in group.left_out:
                out.append(f"#define GROUP_{number}_{names[lock]}_DELAY_MS {round(delay)}")
        out.append("")
    out += [f"#endif /* {guard} */", ""]
    return "\n".join(out)


def yaml_string(text: str) -> str:
    """A text in double quotes, escaped where a reader might take it for something else.

    What is not printable, and what lies beyond the first 65,536 characters, is written by its
    number: JSON would write the latter as two halves, which YAML does not put together
    (YAML 1.2.2, section 5.7).
    """
    def one(character: str) -> str:
        if character in '\\"':
            return "\\" + character
        if character.isprintable() and ord(character) < 0x10000:
            return character
        return f"\\U{ord(character):08x}"

    return '"' + "".join(map(one, text)) + '"'


def yaml_number(value: float) -> str:
    """A number in digits alone, six that count: `1e-05` is a text to a reader of YAML 1.1."""
    return np.format_float_positional(value, precision=6, fractional=False, trim="-")


def yaml_text(
    timing: Timing, version: str, states: Mapping[str, LockState] | None = None
) -> str:
    """The same as YAML that readers of 1.1 and of 1.2 understand alike."""
    quoted, number = yaml_string, yaml_number

    def comment(text: str) -> str:
        return "".join(c if c.isprintable() else " " for c in text)

    out = [*(f"# {comment(line)}" for line in _head(timing, version)),
           f"venue: {quoted(timing.venue)}",
           f"data_first_day: {quoted(str(timing.first_day)) if timing.first_day else 'null'}",
           f"data_last_day: {quoted(str(timing.last_day)) if timing.last_day else 'null'}",
           f"release_target_share: {number(timing.settings.target)}",
           f"false_alarm_share: {number(timing.settings.risk)}",
           "locks:" if timing.models else "locks: {}"]
    for model, answer in zip(timing.models, timing.answers, strict=True):
        out.append(f"  {quoted(model.lock)}:")
        out += [f"    # {comment(line)}" for line in how_found(
            model, answer, timing.settings, (states or {}).get(model.lock))]
        found = list(values_of(answer, model.magnet))
        out.append(f"    state: {quoted(answer.pulse.state)}")
        if answer.pulse.stated is not None:
            out.append(f"    releases_at_first_try_share: {number(answer.pulse.stated)}")
        if answer.pulse.expected is not None:
            out.append(f"    expected_at_first_try_share: {number(answer.pulse.expected)}")
        out += [f"    {name}: {number(value)}" for name, value in found]
        out.append(f"    cue_from_feedback: {'true' if answer.sound.feedback else 'false'}")
    out.append("groups:" if timing.groups else "groups: []")
    for group in timing.groups:
        out.append("  - delay_ms:")
        out += [f"      {quoted(lock)}: {number(delay)}"
                for lock, delay in zip(group.locks, group.delays_ms, strict=True)
                if lock not in group.left_out] or ["      {}"]
        out.append("    stagger_start_ms:")
        for batch, start in zip(group.batches, group.starts_ms, strict=True):
            out += [f"      {quoted(lock)}: {number(start)}" for lock in batch]
    return "\n".join(out) + "\n"
