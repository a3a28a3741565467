"""Pairing a second time, slowly and obviously: plain loops over one lock's records.

Written from the meaning of the columns (the docstring of remanence.analytics.pairing.rules), not
from its code, and it shares no function with it. Times are UTC microseconds.
"""

from __future__ import annotations

import itertools

from tests.analytics.pairing.slow_levels import (
    DAY,
    instant,
    level_at,
    levels,
    ms,
    stamp,
    whole_tick,
)
from tests.analytics.pairing.slow_rails import SlowRails


class SlowPairing(SlowRails):
    """All locks of a venue over one list of records."""

    def __init__(self, venue, records, learned, resolutions):
        super().__init__(venue, records)
        self.learned, self.resolutions = learned, resolutions
        self.rows = {lock.id: self.lock_rows(lock) for lock in venue.locks}

    # Contacts.

    def sense(self, lock):
        if not lock.contact:
            return None
        if lock.contact_closed_when in ("locked", "open"):
            return lock.contact_closed_when
        return self.learned.get(lock.id)

    def contact_edges(self, lock):
        sense = self.sense(lock)
        if sense is None:
            return []
        open_value = 0 if sense == "locked" else 1
        said = [(t, v == open_value, run) for t, c, q, v, run in self.records
                if c == lock.contact and q == "contact"]
        return levels(said, False)

    def movements(self, lock, starts):
        """Chains of edges: (first, last, edges, open before, open after)."""
        chains = []
        settle = self.venue.limits.settle_ms * 1000
        for time, state, _ in self.contact_edges(lock):
            if chains:
                last = chains[-1][-1][0]
                parted = any(last < start <= time for start in starts)
                if stamp(time) - stamp(last) <= settle and not parted:
                    chains[-1].append((time, state))
                    continue
            chains.append([(time, state)])
        return [(c[0][0], c[-1][0], len(c), not c[0][1], c[-1][1]) for c in chains]

    # Commands.

    def broken_off(self, lock, start):
        """The last record of the lock's controller before its log next breaks off."""
        controller = (lock.contact or lock.command).split("/")[0]
        mine = [(stamp(t), run) for t, c, _, _, run in self.records
                if c.split("/")[0] == controller and c in self.venue.channels]
        mine.sort()
        for (t0, run0), (t1, run1) in itertools.pairwise(mine):
            if run0 != run1 and t1 > start:
                return whole_tick(t0)
        return whole_tick(mine[-1][0]) if mine else None

    def by_supply(self, lock):
        rail = self.venue.supplies_by_id[lock.supply]
        return (lock.contact is None and lock.self_cut and lock.released_by == "power-on"
                and rail.channel is not None)

    def lock_rows(self, lock):
        limits = self.venue.limits
        pulses = self.pulses(lock)
        starts = [p[0] for p in pulses]
        edges = self.contact_edges(lock)
        moves = self.movements(lock, starts)
        rows = []
        for start, end, following in pulses:
            wait = limits.door_wait_ms if lock.contact and lock.contact_senses == "door" \
                else limits.coast_ms
            if lock.released_by == "power-off" or self.by_supply(lock):
                wait = 0
            candidates = [following] if following is not None else []
            if end is not None:
                candidates.append(end + round(wait * 1000))
            natural = min(candidates) if candidates else None
            last = self.broken_off(lock, start)
            stop = start if last is None else max(last, start)
            broke = natural is None or last is None or last < natural
            if natural is not None:
                stop = min(stop, natural)
            row = {
                "lock": lock.id, "command_time": instant(start), "start": start, "end": end,
                "pulse_ms": None if end is None else ms(start, end),
                "natural": natural, "stop": stop, "following": following,
                "attempt": 1, "bounces": None, "latency_ms": None, "relock_ms": None,
                "movement": None,
            }
            self.judge(lock, row, edges, moves, broke)
            row["contact_edges"] = None
            if lock.contact:
                row["contact_edges"] = sum(
                    start <= t <= stop and not (following is not None and t >= following)
                    for t, _, _ in edges) if self.observed(lock, stop) else 0
            rows.append(row)
        if self.by_supply(lock):
            for row in rows:
                self.judge_by_supply(lock, row)
        for before, row in itertools.pairwise(rows):
            opened = any(not m[3] and m[4] and before["stop"] < m[0] < row["start"]
                         for m in moves)
            near = stamp(row["start"]) - stamp(before["start"]) <= limits.retry_within_s * 1e6
            if before["outcome"] == "no-release" and near and not opened:
                row["attempt"] = before["attempt"] + 1
        return rows

    def observed(self, lock, stop):
        """Whether the contact could tell, by the end of the wait."""
        if self.sense(lock) is None:
            return False
        if lock.contact_closed_when in ("locked", "open"):
            return True
        return any(c == lock.contact and q == "contact" and t <= stop
                   for t, c, q, _, _ in self.records)

    def judge(self, lock, row, edges, moves, broke):
        start, stop, following = row["start"], row["stop"], row["following"]
        row["latency_from"] = lock.contact_senses if self.sense(lock) else None
        row["waited_ms"] = ms(start, stop)
        row["outcome"] = "no-release"
        if not self.observed(lock, stop):
            row["outcome"] = "unobserved"
            return
        if level_at(edges, start, False, strictly=True):
            row["outcome"] = "already-open"
            return
        for move in moves:
            first, _, count, _, open_after = move
            inside = start <= first <= stop and (following is None or first < following)
            if inside and open_after:
                row["outcome"] = "released"
                row["latency_ms"] = row["waited_ms"] = ms(start, first)
                row["bounces"] = count - 1
                row["movement"] = first
                for other in moves:
                    if other[0] > first and not other[4] and other[3]:
                        if following is None or other[0] < following:
                            row["relock_ms"] = ms(first, other[0])
                        break
                return
        if broke and stamp(stop) == stamp(start):
            row["outcome"] = "unobserved"

    def judge_by_supply(self, lock, row):
        figures = self.rail_figures(lock, row)
        row["latency_from"] = "supply"
        row["outcome"] = "unobserved"
        sag, noise = figures["sag_volts"], figures["volts_noise"]
        if sag is None or noise is None or sag < 6 * noise:
            return
        if figures["cut_ms"] is not None:
            row["outcome"] = "released"
            row["latency_ms"] = row["waited_ms"] = figures["cut_ms"]
        elif figures["held"]:
            row["outcome"] = "no-release"

    # Tables.

    def actuations(self):
        out = []
        for lock in self.venue.locks:
            for row in self.rows[lock.id]:
                figures = self.rail_figures(lock, row)
                day = stamp(row["start"]) // DAY
                resolution, clock = self.resolutions.get(
                    (lock.contact_controller, day), (None, None))
                if self.by_supply(lock):
                    resolution = figures["cut_gap_ms"]
                across = None
                if lock.contact:
                    across = lock.contact_controller != lock.command_controller
                elif self.by_supply(lock):
                    rail = self.venue.supplies_by_id[lock.supply].channel
                    across = rail.split("/")[0] != lock.command_controller
                names = ("lock", "command_time", "pulse_ms", "outcome", "latency_ms",
                         "waited_ms", "latency_from", "bounces", "attempt", "relock_ms",
                         "contact_edges")
                rail_names = (
                    "volts_before", "volts_min", "sag_volts", "end_sag_volts",
                    "off_spike_volts", "sag_ms",
                    "sag_pulses", "sag_outlasts_ms", "volts_noise", "volts_samples", "sample_ms",
                    "recovery_ms", "cut_ms")
                out.append({
                    **{n: row[n] for n in names}, **{n: figures[n] for n in rail_names},
                    "amps": self.amps(lock, row, figures["cut_ms"]),
                    "resolution_ms": resolution, "clock_ms": clock,
                    "others_on": self.others_on(lock, row["start"]),
                    "across_clocks": across,
                })
        return sorted(out, key=lambda r: (r["lock"], r["command_time"]))

    def others_on(self, lock, time):
        return sum(
            level_at(self.commands[other.id], whole_tick(time), other.released_by == "power-off")
            for other in self.venue.locks
            if other.supply == lock.supply and other.id != lock.id)

    def openings(self):
        out = []
        for lock in self.venue.locks:
            rows = self.rows[lock.id]
            moves = self.movements(lock, [r["start"] for r in rows])
            releases = {r["movement"] for r in rows}
            for first, _, count, open_before, open_after in moves:
                if open_before or not open_after or first in releases:
                    continue
                mine = [r for r in rows if r["start"] <= first]
                row = mine[-1] if mine else None
                if row and (row["end"] is None or first < row["end"]):
                    continue
                if row and row["outcome"] != "released" and first <= row["natural"]:
                    continue
                shut = next((m[0] for m in moves if m[0] > first and m[3] and not m[4]), None)
                near = [(r["start"], index, other.id)
                        for index, other in enumerate(self.venue.locks) if other.id != lock.id
                        for r in self.rows[other.id]
                        if r["start"] <= first and stamp(first) - stamp(r["start"]) <= 2_000_000]
                other = max(near) if near else None
                out.append({
                    "lock": lock.id, "time": instant(first),
                    "energised": lock.released_by == "power-off",
                    "since_command_ms": ms(row["start"], first) if row else None,
                    "last_outcome": row["outcome"] if row else None, "bounces": count - 1,
                    "open_ms": ms(first, shut) if shut is not None else None,
                    "other_lock": other[2] if other else None,
                    "other_ms": ms(other[0], first) if other else None,
                })
        return sorted(out, key=lambda r: (r["lock"], r["time"]))

    def contact_changes(self):
        out = []
        for lock in self.venue.locks:
            rows = self.rows[lock.id]
            for first, last, count, before, after in self.movements(
                    lock, [r["start"] for r in rows]):
                if before == after:
                    continue
                mine = [r for r in rows if r["start"] <= first]
                out.append({
                    "lock": lock.id, "time": instant(first), "open": after, "bounces": count - 1,
                    "settle_ms": ms(first, last),
                    "commanded": bool(mine) and first <= mine[-1]["stop"],
                })
        return sorted(out, key=lambda r: (r["lock"], r["time"]))

    def again(self, lock, edges, i):
        """When it was last said on again after that edge, before the next."""
        begun = edges[i][0]
        until = edges[i + 1][0] if i + 1 < len(edges) else None
        said = [t for t, c, q, v, _ in self.records
                if c == lock.command and q == "command" and t > begun
                and (until is None or t < until) and (v > 0.5) == bool(lock.command_energised)]
        return ms(begun, max(said)) if said else None

    def energisings(self):
        out = []
        for lock in self.venue.locks:
            edges = self.commands[lock.id]
            cuts = {r["start"]: self.rail_figures(lock, r)["cut_ms"] for r in self.rows[lock.id]}
            for i, (time, on, run) in enumerate(edges):
                if not on:
                    continue
                end = None
                if i + 1 < len(edges) and edges[i + 1][2] == run:
                    end = edges[i + 1][0]
                out.append({
                    "lock": lock.id, "start": instant(time),
                    "end": instant(end) if end is not None else None,
                    "on_ms": ms(time, end) if end is not None else None,
                    "cut_ms": cuts.get(time), "again_ms": self.again(lock, edges, i),
                })
        return sorted(out, key=lambda r: (r["lock"], r["start"]))
