"""The catalogue of conditions: what can be said of a lock, a rail or a controller.

The names are fixed by the file formats that other programs read; what a person reads
stands in ``dashboards/words`` under ``condition.NAME``. ``means`` says when it is said.
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
    means: str


def _lock(name: str, means: str, mechanisms: tuple[str, ...] = ANY) -> Condition:
    return Condition(name, ("lock",), mechanisms, means)


CATALOGUE: tuple[Condition, ...] = (
    _lock("sticking-catch",
          "releases get slower, come late or need retries, and the supply does not explain it",
          PULSED),
    _lock("no-release", "commands are not answered, more often than chance allows"),
    _lock("slow-drop",
          "the magnet releases later after the current is cut: residual magnetism, worn plunger",
          ("magnet",)),
    _lock("weakening-hold", "the magnet opens while energised, or lets go sooner each week",
          ("magnet",)),
    _lock("loaded-catch", "the time to release has two humps, releases come when the push ends, "
          "no trend", PULSED),
    _lock("stuck-energised",
          "the coil stays on after the command ended: welded relay, failed driver"),
    _lock("hot-coil", "the estimated or measured coil temperature gets close to its limit"),
    _lock("opened-unpowered", "opens without a command: forced, or opened by hand", PULSED),
    _lock("over-long-energising",
          "energised beyond its longest pulse or its duty cycle: held button, welded relay"),
    _lock("short-pulse", "the pulse ends before this lock can release"),
    _lock("contact-chatter", "the feedback switch bounces more than before"),
    _lock("contact-stuck",
          "the feedback switch never changes though the supply shows the coil working"),
    _lock("contact-inverted", "the feedback switch says the opposite of what was wired"),
    _lock("coil-open", "commanded, no voltage drop, no release"),
    _lock("coil-current-high",
          "draws more than locks of the same model or than before: shorted turns"),
    _lock("self-cut-failed",
          "the coil stays on after its own switch should have switched it off"),
    _lock("missing-suppression", "a voltage spike at each switch-off"),
    _lock("crossed-channels", "its command opens another lock, or another's command opens it"),
    _lock("release-test-due",
          "no dated release test within the venue's interval, or the last one failed"),
    _lock("not-reclosed", "already open at the next command, often"),
    Condition("low-supply", ("supply",), (), "the voltage with no load is below its minimum"),
    Condition("supply-sag", ("supply",), (),
              "the voltage drops more per ampere than before, or below what the locks need"),
    Condition("battery-decline", ("supply",), (), "its voltage falls from week to week"),
    Condition("clock-fault", ("controller",), (),
              "jumps, wraps or restarts of the clock that could not be corrected"),
    Condition("log-gap", ("controller", "venue"), (),
              "hours in which nothing was logged though there usually are records"),
    _lock("unsafe-fitting",
          "a fail-secure lock guards a doorway, or another thing in the venue file that can "
          "hurt someone"),
)

CONDITIONS = {condition.name: condition for condition in CATALOGUE}
