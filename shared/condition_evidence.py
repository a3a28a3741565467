"""What each condition rests on: its figures, what tells it from its look-alikes, what it needs.

For the documentation. A finding shows no figure that is not named here; a test holds that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class RestsOn:
    """Of one condition.

    ``figures`` are the names of its evidence, or how they begin. ``told_apart`` says which
    look-alikes are excluded, and by what. ``needs`` says what the log must hold for it to be
    seen at all.
    """

    figures: tuple[str, ...]
    told_apart: str
    needs: str


_LATENCY = (
    "median latency", "change since then", "smallest change two weeks would show",
    "CUSUM of weekly levels, alarm at 5", "slope since then",
)
_SLOW = (
    "slow or unanswered commands", "the same after a rest", "median latency of the slow ones",
)
_FEEDBACK = "A contact, or for a self-cutting latch volts at 100 a second or more."

RESTS_ON: Mapping[str, RestsOn] = {
    "sticking-catch": RestsOn(
        (*_LATENCY, *_SLOW),
        "The latency is brought to the rail's rated volts and a reference warmth, and what the "
        "siblings share is taken out: a low rail, a hot week and a changed pulse are none. It is "
        "worst after a rest, where a lock that people lean on is at its best.",
        _FEEDBACK + " Volts before each command, or low-supply and hot-coil stay among what is "
        "not excluded.",
    ),
    "no-release": RestsOn(
        ("commands without release", "retries"),
        "Commands that found the lock open, whose window the log broke off, or whose pulse was "
        "too short are not counted. The rate is weighed against that of a sound lock, 0.16 % on "
        "average.", _FEEDBACK,
    ),
    "slow-drop": RestsOn(
        (*_LATENCY, *_SLOW),
        "A magnet's release is not adjusted for volts: the current circulates in the lock. The "
        "tail lengthens before the median moves. A diode that was added makes a step, with a "
        "service entry.", "A bond sensor. A door contact shows a person as well.",
    ),
    "weakening-hold": RestsOn(
        (*_LATENCY, "openings while energised"),
        "A gap (dirt, rust, tilt) makes a magnet weaker and faster; a lost diode makes it many "
        "times faster, with a peak on the rail at each switch-off.",
        "A bond sensor, or openings seen while the coil is on.",
    ),
    "loaded-catch": RestsOn(
        _SLOW,
        "Two humps and no trend; the slow ones come while people are there, seldom after a rest, "
        "last as long as people push, and end when the push ends, after the pulse too.",
        _FEEDBACK,
    ),
    "stuck-energised": RestsOn(
        ("commands that the load outlasts", "longest load after the command's end",
         "median latency", "change since then"),
        "The command in the log has ended, the load on the rail has not. A held button is seen in "
        "the command itself.", "Volts sampled through the end of the pulse, a sag well above the "
        "noise.",
    ),
    "hot-coil": RestsOn(
        ("hottest the coil was", "longest time energised"),
        "Measured where amperes are logged (copper: 0.393 % per kelvin), otherwise a model of coil "
        "and frame from the commands, good to a factor of two, and said to be estimated.",
        "Commands; amperes make it a measurement.",
    ),
    "opened-unpowered": RestsOn(
        ("commands followed by an opening without one", "of them in playing time"),
        "Openings by staff after failed tries, during cleaning, and flickers of the switch under "
        "0.3 s are not counted.", "A contact.",
    ),
    "over-long-energising": RestsOn(
        ("longest time on this week", "energisings beyond the rating",
         "largest share of time on"),
        "The command itself lasts too long, with 10 % and 25 ms allowed. Where the coil stays on "
        "after the command, it is stuck-energised.", "Commands, and the coil's rating in the "
        "venue file.",
    ),
    "short-pulse": RestsOn(
        ("median pulse", "latency that 95 % of releases need", "commands that failed for it"),
        "Failures come with short pulses and not with long ones, or the pulse became shorter: a "
        "change of the program, no fault of the lock.", _FEEDBACK,
    ),
    "contact-chatter": RestsOn(
        ("further edges a movement",),
        "The first edge comes as before. Flicker at other coils' switch-off is interference.",
        "A contact whose every edge is logged; behind a slow poll bounce cannot be seen.",
    ),
    "contact-stuck": RestsOn(
        ("commands without any change of the contact", "changes of the contact since then",
         "median sag"),
        "The rail sags as ever, so the coil works; without a sag it is coil-open. A magnet whose "
        "volts tell nothing: for days nobody had to pull it open, which moves a sound contact; on "
        "a way out no-release is said first all the same.",
        "A contact, and volts during the pulse.",
    ),
    "contact-inverted": RestsOn(
        ("commands answered by a change to locked", "median time to that change"),
        "Every command is answered in the usual time by the opposite change.", "A contact.",
    ),
    "coil-open": RestsOn(
        ("median sag at the command", "commands that drew no current", "commands without release"),
        "No sag and no release, where the same lock used to sag and others on the rail still do. "
        "A single command without a sag may have found a self-cutting latch open.",
        "Volts during the pulse.",
    ),
    "coil-current-high": RestsOn(
        ("current against its own past", "current against the rail's other locks"),
        "Sag per lock against its own past, with what the whole rail's sag did taken out; a rail "
        "that softens makes all its locks sag more.",
        "Volts before and during pulses, or amperes.",
    ),
    "self-cut-failed": RestsOn(
        ("commands that the switch did not cut", "time the coil was on",
         "load in the last part of the pulse"),
        "The sag lasts as long as the command, again and again, where it used to end with the "
        "release. Where one pulse's sag hides in the noise and no contact is wired, the mean of "
        "many pulses tells, unless commands were tried again: then the catch did not move.",
        "Volts at 100 a second or more, the sag six times the noise, or many pulses of a quarter "
        "of a second or longer.",
    ),
    "missing-suppression": RestsOn(
        ("switch-offs with a spike", "median of those spikes", "the same, other locks of the rail",
         *_LATENCY),
        "Peaks at this lock's switch-offs, more often than at random instants and at the other "
        "locks'. A magnet lets go several times faster at the same time.",
        "Volts at 100 a second or more and some thirty switch-offs, or a peak-hold circuit.",
    ),
    "crossed-channels": RestsOn(
        ("commands that open the other lock", "median time from the one's command"),
        "The other lock opens within the usual latency of this one's command, nearly every time, "
        "and this one does not.", "Contacts on both locks.",
    ),
    "release-test-due": RestsOn(
        ("days since the last release test", "failed release tests in a row"),
        "Read off the service log; nothing in a log of commands proves a release.",
        "The service log, and which locks are on a way out.",
    ),
    "not-reclosed": RestsOn(
        ("commands that found it open",),
        "People who forget to close a lock do so at 0.5 to 2 % of resets; only a habit is told.",
        "A contact.",
    ),
    "low-supply": RestsOn(
        ("idle volts, median of the hours", "hours under the window"),
        "Idle volts, while nothing is on: a rail that is low only under load is supply-sag. A "
        "rail that is switched off is not low.", "Volts at any rate.",
    ),
    "supply-sag": RestsOn(
        ("sag per ampere, against before", "commands loaded below what locks are tested at",
         "deepest loaded volts", "median change of their latency"),
        "All locks of the rail sag more at once; one lock that sags more draws more. Where the "
        "rail's volts are not logged, several of its latches that slow together tell of it.",
        "Volts before and during pulses.",
    ),
    "battery-decline": RestsOn(
        ("idle volts", "fall of the idle volts", "days until the window's lower end"),
        "A steady fall over days; a step is low-supply. A change of battery ends it.",
        "Volts, and the source said to be a battery.",
    ),
    "clock-fault": RestsOn(
        ("clock events that could not be mended", "restarts", "largest jump"),
        "Wraps and restarts of counters and steps that the log itself allows to be mended are "
        "counted and mended; the rest is said.", "Any log.",
    ),
    "log-gap": RestsOn(
        ("hours without a record", "surprise of the silence", "records ever seen"),
        "Silent hours in which this controller was busy in earlier weeks, while others were "
        "played: closed days and quiet hours are none.", "Some weeks of log.",
    ),
    "unsafe-fitting": RestsOn(
        ("rail's rated volts over the coil's", "current of all held locks of the rail"),
        "Read off the venue file: a fact, not an estimate.", "The venue file.",
    ),
}
"""By condition."""
