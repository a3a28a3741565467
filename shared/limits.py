"""What a person might want to tune: each limit once, with default, unit, reason and source.

A venue file overrides any of them in its ``[limits]`` block. Add a limit here,
nowhere else; the documentation and the check of the venue file follow from it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any


def _limit(
    default: float, unit: str, reason: str, source: str = "common practice, no source",
    *, low: float = 0.0, high: float = float("inf"),
) -> Any:
    return field(
        default=default,
        metadata={"unit": unit, "reason": reason, "source": source, "low": low, "high": high},
    )


@dataclass(frozen=True)
class Limits:
    """Every tunable figure of the program; see each field's metadata."""

    # Pairing: which edge answers which command.
    coast_ms: float = _limit(
        1000.0, "ms",
        "how long after the end of a releasing pulse an edge of a catch or armature contact "
        "still counts as its answer: the coil current runs down, a player lets go of the drawer",
        low=0.0, high=60_000.0,
    )
    door_wait_ms: float = _limit(
        60_000.0, "ms",
        "the same for a contact on the door, where a person's push or pull comes in between",
        low=0.0, high=3_600_000.0,
    )
    settle_ms: float = _limit(
        50.0, "ms",
        "contact edges closer together than this are one movement with bounce",
        "Ganssle, A Guide to Debouncing (2004): worst of 16 switches 6.2 ms; slow levers 20 ms "
        "(common practice); doubled for polled inputs",
        low=0.0, high=1000.0,
    )
    retry_within_s: float = _limit(
        600.0, "s",
        "a command this soon after an unanswered one of the same lock is a retry of it",
        low=0.0, high=86_400.0,
    )
    # The supply's window.
    supply_low_percent: float = _limit(
        90.0, "% of rated volts",
        "idle volts below this are under the window that electromagnetic devices are rated for",
        "DIN VDE 0580: +6 / -10 % of nominal, as quoted in public solenoid notes",
        low=1.0, high=100.0,
    )
    supply_high_percent: float = _limit(
        110.0, "% of rated volts",
        "volts above this overheat a coil that is held on",
        "UL 294, 6th ed. (2013), 36.1: 85 to 110 % of rated",
        low=100.0, high=200.0,
    )
    supply_loaded_percent: float = _limit(
        85.0, "% of rated volts",
        "loaded volts below this are under what locks are tested to work at",
        "UL 294, 6th ed. (2013), 36.1: 85 to 110 % of rated",
        low=1.0, high=100.0,
    )
    # What a coil bears.
    duty_window_s: float = _limit(
        300.0, "s",
        "the stretch of time over which a coil's duty is reckoned",
        "five minutes is the usual cycle of duty ratings (from memory: DIN VDE 0580, S3)",
        low=10.0, high=86_400.0,
    )
    held_long_s: float = _limit(
        120.0, "s",
        "a coil not made for continuous current that is on for this long is not run again "
        "before it has been looked at",
        "calculated, two-mass model: 12 V coils of 6 to 20 ohms pass 80 degrees Celsius in 2 to "
        "4 minutes",
        low=1.0, high=86_400.0,
    )
    coil_near_kelvin: float = _limit(
        30.0, "K",
        "a coil that comes this close to what its winding bears is told: a designer stays this "
        "far below it",
        "trade practice, no source", low=0.0, high=200.0,
    )
    coil_stop_kelvin: float = _limit(
        20.0, "K",
        "a lock whose coil comes this close to what its winding bears is not used",
        "trade practice, no source", low=0.0, high=200.0,
    )
    # The designer's sheet: pulse, wait, cue, together.
    timing_weeks: float = _limit(
        52.0, "weeks",
        "how far back a lock's timing is read (never beyond its last service): a year holds "
        "all seasons",
        low=1.0, high=520.0,
    )
    timing_own_releases: float = _limit(
        100.0, "releases",
        "with fewer than this a lock's timing leans on the locks of its part: the slope of a "
        "tail needs ten values",
        low=20.0, high=100_000.0,
    )
    release_target: float = _limit(
        0.999, "share", "share of openings that a programmed pulse is to release at the first try",
        low=0.9, high=0.9999,
    )
    stuck_risk: float = _limit(
        0.001, "share", "share of openings at which a healthy lock may be called stuck",
        low=0.0001, high=0.05,
    )
    pulse_margin: float = _limit(
        1.3, "", "a pulse is programmed this many times as long as the shortest that will do: "
        "tomorrow is not in the log",
        "common practice (1.3 to 1.5), no source", low=1.0, high=10.0,
    )
    magnet_margin: float = _limit(
        1.5, "", "the same for the time a magnet is switched off, before the person's own time",
        low=1.0, high=10.0,
    )
    magnet_person_ms: float = _limit(
        3000.0, "ms", "how long a person is given to move a door off its magnet",
        low=0.0, high=600_000.0,
    )
    pulse_step_ms: float = _limit(
        5.0, "ms", "pulses are rounded up to a multiple of this", low=1.0, high=1000.0,
    )
    usual_pulse_ms: float = _limit(
        500.0, "ms", "a latch that needs a longer pulse than this is looked at before the pulse "
        "is lengthened", low=1.0, high=60_000.0,
    )
    retry_least_ms: float = _limit(
        300.0, "ms", "shortest wait from one command to its retry", low=0.0, high=60_000.0,
    )
    retries_most: float = _limit(
        3.0, "retries", "after this many a person looks: more only heat the coil",
        low=1.0, high=10.0,
    )
    cue_share_least: float = _limit(
        0.9, "share", "with fewer openings than this inside the window a cue is to start from the "
        "feedback, not from the command", low=0.0, high=1.0,
    )
    together_within_ms: float = _limit(
        100.0, "ms", "commands this close together are one moment to a player", low=1.0,
        high=10_000.0,
    )
    together_least: float = _limit(
        5.0, "times", "locks commanded together this often are a group that someone programmed",
        low=2.0, high=10_000.0,
    )
    # Heat of a coil.
    ambient_celsius: float = _limit(
        25.0, "degrees Celsius", "temperature around the locks while the venue is open",
        low=-20.0, high=60.0,
    )
    coil_limit_celsius: float = _limit(
        120.0, "degrees Celsius", "what the winding of a coil bears that names no insulation "
        "class", "common practice, no source; IEC 60085 class E is 120", low=60.0, high=250.0,
    )

    # Drift of the release latency.
    drift_gate_percent: float = _limit(
        7.0, "% of the latency before",
        "a smaller lasting change of the release latency is not worth a technician's time, "
        "however sure it is",
        "calculated: with an 8 % gate a fleet of 40 healthy locks gives about one false alarm a "
        "year; 7 % so that a true 12 % passes it on most weeks",
        low=1.0, high=100.0,
    )
    drift_week_percent: float = _limit(
        30.0, "% of the latency before",
        "a change as large as this is to be seen to within the week",
        low=1.0, high=1000.0,
    )
    forced_openings_week: float = _limit(
        3.0, "openings a week",
        "fewer openings of a magnet while energised may be a player's one good pull",
        low=1.0, high=1000.0,
    )
    no_release_now_percent: float = _limit(
        2.0, "% of commands",
        "a lock that leaves so many commands unanswered is not run before it has been looked at",
        "trade practice, no source: a sticking catch is a matter of the week, from this share of "
        "unanswered commands on of the moment",
        low=1.0, high=100.0,
    )
    no_release_worn_percent: float = _limit(
        5.0, "% of commands",
        "a lock whose unanswered commands grow to this share is due for a new part",
        low=0.1, high=100.0,
    )
    not_reclosed_week: float = _limit(
        2.0, "commands a week",
        "one reset at which a lock was left open is a person's slip, not a habit",
        low=1.0, high=100.0,
    )

    raise_now_percent: float = _limit(
        80.0, "% probability",
        "a finding that says not to run a lock is raised from this probability on: to wait a "
        "week for a surer word on a real one is taken to cost a quarter of a false one; what is "
        "less sure is watched",
        low=1.0, high=100.0,
    )
    raise_week_percent: float = _limit(
        90.0, "% probability",
        "the same for what is to be seen to within the week: waiting costs a ninth of a walk for "
        "nothing",
        low=1.0, high=100.0,
    )
    raise_plan_percent: float = _limit(
        95.0, "% probability",
        "the same for what is to be planned: it can wait for a surer word",
        low=1.0, high=100.0,
    )
    raise_exit_percent: float = _limit(
        50.0, "% probability",
        "the same for what may keep people in on an exit route: it is looked at where it is as "
        "likely as not",
        low=1.0, high=100.0,
    )
    player_pull_newtons: float = _limit(
        500.0, "N", "a pull by a player that a holding magnet should bear: the margin is "
        "reckoned against it", low=1.0, high=5000.0,
    )

    # This morning, as the server shows it.
    morning_from_hour: float = _limit(
        5.0, "hours after midnight, venue's time",
        "commands from then on belong to the morning's round; the night's last game is over and "
        "nobody has come in yet", low=0.0, high=23.0,
    )
    morning_quiet_s: float = _limit(
        120.0, "s",
        "where no record has come for so long, the morning's page goes grey: what it shows may be "
        "out of date; volts are logged several times a minute as a rule",
        low=5.0, high=86_400.0,
    )


def limit_fields() -> dict[str, dict[str, Any]]:
    """Every limit that a venue file's ``[limits]`` may set.

    Returns
    -------
    dict of str to dict
        By name: ``default``, ``unit``, ``reason``, ``source``, and ``low`` and ``high``, between
        which the venue file may set it.
    """
    return {item.name: {"default": item.default, **item.metadata} for item in fields(Limits)}
