"""Put faults into a drawn venue, and say how large each is on every day."""

import numpy as np

from remanence.shared.venue import Lock
from tests.campaign import mechanics
from tests.campaign.scenario import FIRST_SCORED_WEEK, Fault

GOAL_CHANGE = np.log(1.12)
"""The goals ask for a release that has become 12 % slower or faster."""

FOR_PULSED = (
    ("sticking-catch", "ramp", 3), ("sticking-catch", "hockey", 3), ("sticking-catch", "step", 2),
    ("sticking-catch", "mode", 2), ("no-release", "step", 2), ("loaded-catch", "step", 1),
    ("opened-unpowered", "step", 1), ("short-pulse", "step", 1), ("contact-stuck", "step", 1),
    ("contact-inverted", "step", 2), ("coil-open", "step", 2), ("coil-current-high", "step", 2),
    ("stuck-energised", "step", 1), ("over-long-energising", "step", 1),
    ("contact-chatter", "ramp", 2), ("crossed-channels", "step", 1), ("not-reclosed", "step", 1),
    ("missing-suppression", "step", 1), ("self-cut-failed", "step", 6), ("hot-coil", "step", 1),
)
FOR_MAGNET = (
    ("slow-drop", "ramp", 3), ("slow-drop", "step", 2), ("weakening-hold", "ramp", 3),
    ("weakening-hold", "step", 2), ("missing-suppression", "step", 1),
    ("contact-stuck", "step", 1), ("release-test-due", "step", 1),
    ("unsafe-fitting", "step", 1),
)
FOR_RAIL = (("low-supply", "step", 1), ("supply-sag", "step", 2), ("battery-decline", "ramp", 2))


def put_in(scenario):
    """Choose and place the faults of a venue; a healthy one gets none."""
    if scenario.healthy:
        return
    rng = scenario.rng
    lives = list(scenario.locks)
    rng.shuffle(lives)
    wanted = int(rng.integers(7, 12))
    taken = set()
    for life in lives:
        if len(taken) >= wanted:
            break
        if life.lock.id in taken:
            continue
        fault = _for_lock(scenario, life, taken)
        if fault:
            scenario.faults.append(fault)
            taken.add(fault.subject)
    rail = scenario.rails[str(rng.choice(sorted(scenario.rails)))]
    deck = [d for d in FOR_RAIL if (d[0] == "battery-decline") == (rail.supply.source == "battery")]
    condition, shape = _pick(rng, deck)
    if rail.low_volts == 0 or condition == "supply-sag":
        size = {"low-supply": rail.idle_volts / rail.supply.rated_volts
                - float(rng.uniform(0.83, 0.885)),
                "supply-sag": float(rng.uniform(1.5, 3.5)), "battery-decline": 0.16}[condition]
        since = _since(scenario)
        scenario.faults.append(Fault(
            rail.supply.id, "supply", condition, since, shape, size, grows_days=42,
            reached_day=since if shape == "step" else since + 28,
        ))
    controller = str(rng.choice(sorted(scenario.scans)))
    if rng.random() < 0.6:
        day = _since(scenario)
        while scenario.games[day] == 0:
            day += 1
        condition = "log-gap" if rng.random() < 0.7 else "clock-fault"
        scenario.faults.append(Fault(
            controller, "controller", condition, day, "step", 5.0, mended_day=day + 1,
            reached_day=day,
        ))


def _pick(rng, deck):
    weights = np.array([d[2] for d in deck], float)
    chosen = deck[rng.choice(len(deck), p=weights / weights.sum())]
    return chosen[0], chosen[1]


def _since(scenario):
    """Late enough for a past, early enough to be found: between week 9 and four before the end."""
    last = max(scenario.days - 40, 7 * FIRST_SCORED_WEEK + 8)
    return int(scenario.rng.integers(7 * (FIRST_SCORED_WEEK + 1), last))


def _possible(scenario, life, condition):
    """Whether the log of this lock could show it at all."""
    lock, rail = life.lock, scenario.rails[life.lock.supply]
    needs_contact = {
        "sticking-catch", "no-release", "loaded-catch", "opened-unpowered", "short-pulse",
        "contact-stuck", "contact-inverted", "stuck-energised", "contact-chatter",
        "crossed-channels", "not-reclosed", "slow-drop", "weakening-hold", "coil-open",
        "self-cut-failed",
    }
    if condition in needs_contact and not lock.contact:
        # Only the step of the rail's volts, when the coil cuts itself, tells when it lets go.
        sag = rail.source_ohms * lock.rated_volts / lock.coil_ohms
        return (condition in ("sticking-catch", "no-release") and lock.self_cut
                and sag > 10 * rail.noise_volts)
    if condition == "self-cut-failed":
        return lock.self_cut
    if condition in ("slow-drop", "weakening-hold"):
        return lock.contact_senses == "armature"
    if condition == "contact-chatter":
        return life.scan_ms <= 2.0
    if condition == "missing-suppression":
        return lock.suppression == "diode" and rail.sample_ms <= 5.0
    if condition in ("contact-inverted",):
        return lock.contact_closed_when != "unknown"
    if condition == "release-test-due":
        return lock.on_way_out
    if condition == "unsafe-fitting":
        return lock.on_way_out and not scenario.faults_of(lock.id)
    if condition in ("over-long-energising", "hot-coil"):
        # A latch that cuts its own coil is off, however long its command lasts.
        return lock.max_on_ms is not None and not lock.self_cut
    return True


def _for_lock(scenario, life, taken):
    rng, lock = scenario.rng, life.lock
    deck = [d for d in (FOR_MAGNET if lock.is_magnet else FOR_PULSED)
            if _possible(scenario, life, d[0])]
    if not deck:
        return None
    condition, shape = _pick(rng, deck)
    grows = int(rng.integers(28, 77))
    fault = Fault(lock.id, "lock", condition, _since(scenario), shape,
                  _size(rng, condition, shape), grows_days=grows)
    if condition == "contact-chatter":
        fault.grows_days = 28
    if condition == "unsafe-fitting":
        fault.since_day = 0
        _make_unsafe(scenario, life)
    if condition == "crossed-channels":
        partner = next((o for o in scenario.locks if o.lock.id != lock.id and o.lock.contact
                        and o.lock.pulsed and o.lock.id not in taken and not o.lock.self_cut
                        and o.lock.command_controller == lock.command_controller), None)
        if partner is None or lock.self_cut:
            return None
        fault.partner = partner.lock.id
        scenario.faults.append(Fault(
            partner.lock.id, "lock", condition, fault.since_day, shape, 1.0, partner=lock.id,
            reached_day=fault.since_day,
        ))
        taken.add(partner.lock.id)
    if condition == "hot-coil":
        # What heats it is said as well: a button that is held down for minutes.
        scenario.faults.append(Fault(
            lock.id, "lock", "over-long-energising", fault.since_day, shape, fault.size,
            reached_day=fault.since_day,
        ))
    life.refit_day = None
    life.new_pulse_day = scenario.days
    _set_reached(scenario, life, fault)
    if condition in MENDABLE and rng.random() < 0.3:
        day = fault.reached_day + int(rng.integers(21, 42))
        if day < scenario.days - 14:
            if rng.random() < 0.75:
                fault.mended_day = day
            else:
                fault.useless_repair_day = day
    return fault


MENDABLE = {
    "sticking-catch", "no-release", "loaded-catch", "slow-drop", "weakening-hold", "coil-open",
    "coil-current-high", "contact-stuck", "contact-chatter", "opened-unpowered",
}


def _size(rng, condition, shape):
    if condition == "sticking-catch":
        # Newtons of friction at the end; of the jammed mode; or a logarithm of latency.
        return {"hockey": rng.uniform(4.5, 6.5), "mode": rng.uniform(0.08, 0.16),
                "ramp": np.log(rng.uniform(1.25, 1.8)),
                "step": np.log(rng.uniform(1.14, 1.5))}[shape]
    return float({
        "no-release": rng.uniform(0.05, 0.15), "loaded-catch": rng.uniform(0.25, 0.5),
        "opened-unpowered": rng.uniform(0.15, 0.4), "short-pulse": rng.uniform(0.95, 1.05),
        "coil-current-high": rng.uniform(1.2, 1.5), "stuck-energised": rng.uniform(0.15, 0.5),
        "over-long-energising": rng.uniform(0.08, 0.3), "contact-chatter": rng.uniform(5, 12),
        "not-reclosed": rng.uniform(0.12, 0.35), "missing-suppression": rng.uniform(0.8, 3.0),
        "hot-coil": rng.uniform(0.08, 0.2),
        "slow-drop": np.log(rng.uniform(1.2, 1.7)) if shape == "ramp" else np.log(
            rng.uniform(1.15, 1.6)),
        "weakening-hold": rng.uniform(65, 120) if shape == "ramp" else rng.uniform(60, 110),
    }.get(condition, 1.0))


def _make_unsafe(scenario, life):
    """A magnet on a way out becomes a fail-secure strike there, fitted so from the start."""
    from dataclasses import replace

    old = life.lock
    life.lock = replace(
        old, mechanism="strike", released_by="power-on", contact_senses="catch",
        max_on_ms=5000.0, duty_percent=50.0, holding_newtons=None,
    )
    life.base_ms = 30.0
    venue = scenario.venue
    locks = tuple(life.lock if lock.id == old.id else lock for lock in venue.locks)
    scenario.venue = replace(venue, locks=locks)


def change_of_median(scenario, life, days):
    """Logarithm by which faults have changed the median latency, day by day."""
    total = np.zeros(len(days))
    for fault in scenario.faults_of(life.lock.id):
        total += _change(fault, life.lock, fault.growth(days))
    return total


def _change(fault: Fault, lock: Lock, growth):
    match fault.condition, fault.shape:
        case "sticking-catch", "hockey":
            return mechanics.by_side_load(fault.size * growth)
        case ("sticking-catch", "ramp" | "step") | ("slow-drop", _):
            return fault.size * growth
        case "weakening-hold", _:
            gap = mechanics.USUAL_GAP_MICRONS
            return mechanics.by_gap(gap + (fault.size - gap) * growth)
        case "missing-suppression", _:
            return np.where(lock.is_magnet, -1.2, 0.0) * growth
    return np.zeros(np.shape(growth))


def _set_reached(scenario, life, fault):
    days = np.arange(scenario.days + 60)
    fault.reached_day = fault.since_day
    if fault.condition == "contact-chatter":
        fault.reached_day = fault.since_day + 14
    change = np.abs(_change(fault, life.lock, fault.growth(days)))
    if change.any() and fault.condition != "missing-suppression":
        over = np.flatnonzero(change >= GOAL_CHANGE)
        fault.reached_day = int(over[0]) if over.size else scenario.days + 60
        fault.visible = _shows(scenario.rng, life, fault)


def _shows(rng, life, fault):
    """Whether a change of that size moves what the controller writes down at all."""
    goal = GOAL_CHANGE if fault.condition != "weakening-hold" else -GOAL_CHANGE
    # In step with the command, 10 ms of polling cannot show a change of 3 ms.
    if life.tied and abs(np.expm1(goal)) * life.base_ms <= 0.3 * life.scan_ms:
        return False
    draws = life.base_ms * np.exp(rng.normal(0, life.scatter, 4000))
    before, after = (seen(draws * f, life, rng) for f in (1.0, np.exp(goal)))
    grid = np.unique(np.concatenate([before, after]))
    gap = np.abs(
        np.searchsorted(np.sort(before), grid, "right")
        - np.searchsorted(np.sort(after), grid, "right")
    ).max() / 4000
    return bool(gap > 0.3)


def seen(latency_ms, life, rng):
    """What a scan of that period makes of latencies: seen at the next look."""
    scan = life.scan_ms
    if life.tied:
        return np.ceil(latency_ms / scan) * scan
    # The command falls at any phase of the scan, on a clock of one millisecond.
    phase = np.floor(rng.random(np.shape(latency_ms)) * scan)
    return np.maximum(np.ceil((latency_ms + phase) / scan) * scan - phase, 1.0)


def stamped_ms(at, latency_ms, scan_ms):
    """The latency that records of a command at ``at`` and of the next look show. [ms]

    The controller looks at its inputs on a grid of its own clock.
    """
    scan = int(scan_ms * 1e3)
    return (-(-(at + int(latency_ms * 1e3)) // scan) * scan - at) / 1e3
