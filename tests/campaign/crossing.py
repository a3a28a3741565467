"""Two locks whose plugs were crossed: each one's command moves the other's catch."""

import numpy as np


def cross_channels(scenario, past, coast_ms):
    """Swap what two crossed locks' contacts show, from the day their plugs were crossed."""
    done = set()
    for fault in scenario.faults:
        if fault.condition != "crossed-channels" or fault.subject in done:
            continue
        done |= {fault.subject, fault.partner}
        a, b = fault.subject, fault.partner
        _cross_pair(past, a, b, past.day_start[fault.since_day], coast_ms)


def _cross_pair(past, a, b, since, coast_ms):
    """From then on a's command moves b's catch and the other way about."""
    moved = {}
    for me, other in ((a, b), (b, a)):
        mine, theirs = past.by_lock[me], past.by_lock[other]
        keep = [m for m in mine.moves if m[0] < since]
        gains = [(at, opens, False, bounces) for at, opens, _, bounces in theirs.moves
                 if at >= since]
        openings = [o for o in mine.openings if o[0] < since]
        own = sorted(act[0] for act in mine.acts)
        for act in theirs.acts:
            if act[0] >= since and act[5] == "released":
                before = [t for t in own if t <= act[0]][-1:]
                openings.append((act[0] + int(act[2] * 1e3), False, before[0] if before else None,
                                 "no-release", other, act[2], None))
        moved[me] = (sorted(keep + gains), sorted(openings))
    for me in (a, b):
        mine = past.by_lock[me]
        mine.moves, mine.openings = moved[me]
        mine.acts = _judge_again(mine, since, coast_ms)


def _judge_again(mine, since, coast_ms):
    """Outcomes of a's commands by what its contact now shows: open already, or silent."""
    times = np.array([m[0] for m in mine.moves], dtype=np.int64)
    acts = []
    for act in mine.acts:
        if act[0] < since:
            acts.append(act)
            continue
        before = int(np.searchsorted(times, act[0])) - 1
        is_open = before >= 0 and mine.moves[before][1]
        if act[6] > 1:
            continue
        outcome = "already-open" if is_open else "no-release"
        waited = (act[1] - act[0]) / 1e3 + coast_ms
        acts.append((*act[:3], None, waited, outcome, 1, *act[7:12], 0, act[13]))
    return acts
