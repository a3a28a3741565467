"""The catalogue of conditions: what can be said of a lock, a rail or a controller.

The names are fixed by the file formats that other programs read. ``title`` is
what a person reads; ``means`` says when it is said.
"""

from __future__ import annotations

from dataclasses import dataclass

PULSED = ("latch", "bolt", "strike")
ANY = ("magnet", "latch", "bolt", "strike")


@dataclass(frozen=True)
class Condition:
    """One entry: its fixed name, whom it is said of, and when."""

    name: str
    subject_kinds: tuple[str, ...]
    mechanisms: tuple[str, ...]
    title: str
    means: str


def _lock(name: str, title: str, means: str, mechanisms: tuple[str, ...] = ANY) -> Condition:
    return Condition(name, ("lock",), mechanisms, title, means)


CATALOGUE: tuple[Condition, ...] = (
    _lock("sticking-catch", "Catch sticks",
          "releases get slower, late, or need retries, and the supply does not explain it", PULSED),
    _lock("no-release", "Does not release",
          "commands that ought to release do not, at a rate that matters"),
    _lock("slow-drop", "Lets go late",
          "the magnet lets go later after the current is cut: residual magnetism, worn plunger",
          ("magnet",)),
    _lock("weakening-hold", "Holds weakly",
          "the magnet opens while energised, or lets go ever sooner", ("magnet",)),
    _lock("loaded-catch", "Players lean on it",
          "two humps, opens when the push ends, no trend", PULSED),
    _lock("stuck-energised", "Coil stays on",
          "the coil stays on after the command ended: welded relay, failed driver"),
    _lock("hot-coil", "Coil runs hot",
          "the estimated or measured coil temperature comes near what it bears"),
    _lock("opened-unpowered", "Opened with no command",
          "opens with no command: forced, or released by hand", PULSED),
    _lock("over-long-energising", "Energised too long",
          "energised beyond its longest on-time or its duty: held button, welded relay"),
    _lock("short-pulse", "Pulse too short",
          "the pulse ends before this lock's own latency allows"),
    _lock("contact-chatter", "Feedback switch bounces",
          "the feedback switch bounces more than it did"),
    _lock("contact-stuck", "Feedback does not move",
          "the feedback never moves though the supply shows the coil working"),
    _lock("contact-inverted", "Feedback the wrong way round",
          "the feedback says the opposite of what was wired"),
    _lock("coil-open", "Coil or its wire is open", "commanded, no sag, no release"),
    _lock("coil-current-high", "Draws too much current",
          "draws more than its siblings or its own past: shorted turns"),
    _lock("self-cut-failed", "Does not cut itself off",
          "the coil stays on after its own switch should have cut it"),
    _lock("missing-suppression", "No suppression at the coil",
          "an over-voltage at each switch-off"),
    _lock("crossed-channels", "Wires crossed",
          "its command opens another lock, or another's command opens it"),
    _lock("release-test-due", "Release test due",
          "no dated release test within the venue's interval, or the last one failed"),
    _lock("not-reclosed", "Left open",
          "found open when next commanded, again and again"),
    Condition("low-supply", ("supply",), (), "Supply low", "idle volts under the rated window"),
    Condition("supply-sag", ("supply",), (), "Supply sags",
              "sags more per ampere than it did, or below what the locks need"),
    Condition("battery-decline", ("supply",), (), "Battery running down", "running down"),
    Condition("clock-fault", ("controller",), (), "Clock cannot be trusted",
              "jumps, wraps or restarts that the times could not be mended for"),
    Condition("log-gap", ("controller", "venue"), (), "Log has a gap",
              "a stretch in which nothing was logged though it should have been"),
    _lock("unsafe-fitting", "Unsafe as fitted",
          "a fail-secure lock guards a doorway, or another thing in the venue file that can "
          "hurt someone"),
)

CONDITIONS = {condition.name: condition for condition in CATALOGUE}
