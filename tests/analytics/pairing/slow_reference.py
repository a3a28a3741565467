"""Pairing a second time, slowly and obviously: plain loops over one lock's records.

Written from the meaning of the columns (the docstrings of remanence.analytics.pairing.rules and
remanence.analytics.pairing.rail_windows), not from their code, and it shares no function with them.
Times are integers, UTC microseconds.
"""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta
from statistics import median

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
DAY = 86_400_000_000


def instant(microseconds):
    return EPOCH + timedelta(microseconds=microseconds)


def levels(records, before):
    """[(time, level, run)] of one channel, each change once; records are (time, level, run)."""
    edges, state = [], before
    for time in sorted({r[0] for r in records}):
        said = {r[1] for r in records if r[0] == time}
        run = min(r[2] for r in records if r[0] == time)
        after = (not state) if len(said) == 2 else said.pop()
        if after != state:
            edges.append((time, after, run))
            state = after
    return edges


def level_at(edges, time, before, *, strictly=False):
    """The level at ``time``, its own edges applied (or not, if strictly)."""
    state = before
    for when, after, _ in edges:
        if when < time or (when == time and not strictly):
            state = after
    return state


class SlowPairing:
    """All locks of a venue over one list of records."""

    def __init__(self, venue, records, learned, resolutions):
        # records: (time, channel, quantity, value, run)
        self.venue, self.learned, self.resolutions = venue, learned, resolutions
        self.records = sorted(set(records))
        self.kept = {}
        self.commands = {}
        for lock in venue.locks:
            said = [(t, v == lock.command_energised, run) for t, c, q, v, run in self.records
                    if c == lock.command and q == "command"]
            # Rest: latches off, magnets on.
            self.commands[lock.id] = levels(said, lock.released_by == "power-off")
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
                if time - last <= settle and not parted:
                    chains[-1].append((time, state))
                    continue
            chains.append([(time, state)])
        return [(c[0][0], c[-1][0], len(c), not c[0][1], c[-1][1]) for c in chains]

    # Commands.

    def pulses(self, lock):
        """(start, end or None, start of the next or None) of each releasing command."""
        found = []
        for time, energised, _ in self.commands[lock.id]:
            if energised == (lock.released_by == "power-on"):
                found.append([time, None])
            elif found:
                found[-1][1] = time
        return [(s, e, found[i + 1][0] if i + 1 < len(found) else None)
                for i, (s, e) in enumerate(found)]

    def broken_off(self, lock, start):
        """The last record of the lock's controller before its log next breaks off."""
        controller = (lock.contact or lock.command).split("/")[0]
        mine = [(t, run) for t, c, _, _, run in self.records
                if c.split("/")[0] == controller and c in self.venue.channels]
        mine.sort()
        for (t0, run0), (t1, run1) in itertools.pairwise(mine):
            if run0 != run1 and t1 > start:
                return t0
        return mine[-1][0] if mine else None

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
                "pulse_ms": None if end is None else (end - start) / 1000,
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
            near = row["start"] - before["start"] <= limits.retry_within_s * 1e6
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
        row["waited_ms"] = (stop - start) / 1000
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
                row["latency_ms"] = row["waited_ms"] = (first - start) / 1000
                row["bounces"] = count - 1
                row["movement"] = first
                for other in moves:
                    if other[0] > first and not other[4] and other[3]:
                        if following is None or other[0] < following:
                            row["relock_ms"] = (other[0] - first) / 1000
                        break
                return
        if broke and stop == start:
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
                day = row["start"] // DAY
                resolution = self.resolutions.get((lock.contact_controller, day))
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
                    "resolution_ms": resolution, "others_on": self.others_on(lock, row["start"]),
                    "across_clocks": across,
                })
        return sorted(out, key=lambda r: (r["lock"], r["command_time"]))

    def others_on(self, lock, time):
        return sum(
            level_at(self.commands[other.id], time, other.released_by == "power-off")
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
                        if first - 2_000_000 <= r["start"] <= first]
                other = max(near) if near else None
                out.append({
                    "lock": lock.id, "time": instant(first),
                    "energised": lock.released_by == "power-off",
                    "since_command_ms": (first - row["start"]) / 1000 if row else None,
                    "last_outcome": row["outcome"] if row else None, "bounces": count - 1,
                    "open_ms": (shut - first) / 1000 if shut is not None else None,
                    "other_lock": other[2] if other else None,
                    "other_ms": (first - other[0]) / 1000 if other else None,
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
                    "settle_ms": (last - first) / 1000,
                    "commanded": bool(mine) and first <= mine[-1]["stop"],
                })
        return sorted(out, key=lambda r: (r["lock"], r["time"]))

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
                    "on_ms": (end - time) / 1000 if end is not None else None,
                    "cut_ms": cuts.get(time),
                })
        return sorted(out, key=lambda r: (r["lock"], r["start"]))

    # The rail.

    def samples(self, channel, quantity):
        """Readings in time order; of one instant, the lower first."""
        if (channel, quantity) not in self.kept:
            self.kept[channel, quantity] = sorted(
                {(t, v) for t, c, q, v, _ in self.records if c == channel and q == quantity})
        return self.kept[channel, quantity]

    def amps(self, lock, row, cut_ms):
        start, end = row["start"], row["end"]
        if lock.released_by == "power-on":
            stop = start + 60_000_000 if end is None else min(end, start + 60_000_000)
            if cut_ms is not None:
                stop = min(stop, start + int(cut_ms * 1000))
            low, high = start + int((stop - start) * 0.4), stop
        else:
            low, high = start - 2_000_000, start
        values = [v for t, v in self.samples(lock.command, "amps") if low <= t < high]
        return median(values) if values else None

    def rail_figures(self, lock, row):
        key = (lock.id, row["start"])
        if key not in self.kept:
            self.kept[key] = self.read_rail(lock, row)
        return self.kept[key]

    def read_rail(self, lock, row):
        names = ("volts_before", "volts_min", "sag_volts", "end_sag_volts", "off_spike_volts",
                 "sag_ms",
                 "sag_pulses", "sag_outlasts_ms", "volts_noise", "volts_samples", "sample_ms",
                 "recovery_ms", "cut_ms", "cut_gap_ms")
        f = dict.fromkeys(names)
        f["held"] = False
        channel = self.venue.supplies_by_id[lock.supply].channel
        start, end = row["start"], row["end"]
        rail = self.samples(channel, "volts") if channel else []
        # (No figure looks further than this.)
        rail = [r for r in rail if start - 60_000_000 <= r[0] <= start + 63_000_000]
        f["volts_samples"] = 0 if channel else None
        if not rail:
            return f
        pulsed = lock.released_by == "power-on"
        others = sorted(
            t for other in self.venue.locks if other.supply == lock.supply and other.id != lock.id
            for t, _, _ in self.commands[other.id])
        a = max((t for t in others if t < start), default=None)
        b = min((t for t in others if t >= start), default=None)
        if self.neighbour_may_cut(lock, start):
            b = start

        quiet = [v for t, v in rail
                 if start - 2_000_000 <= t < start and (a is None or t >= a + 200_000)]
        before = median(quiet) if quiet else None
        f["volts_before"] = before
        f["volts_noise"] = noise = self.noise(
            [v for t, v in rail if start - 60_000_000 <= t < start][-64:])

        longest = 60_000_000 if pulsed else 2_000_000
        last = start + longest if end is None else min(end, start + longest)
        during = [(t, v) for t, v in rail if start <= t <= last]
        f["volts_samples"] = len(during)
        f["volts_min"] = min((v for _, v in during), default=None)
        gaps = [t1 - t0 for (t0, _), (t1, _) in itertools.pairwise(during)]
        f["sample_ms"] = median(gaps) / 1000 if gaps else None
        if before is None:
            return f
        if not pulsed:
            stop = min(t for t in (end, start + 2_000_000, b) if t is not None)
            after = [v for t, v in rail if start + 20_000 < t < stop]
            f["sag_volts"] = median(after) - before if after else None
            f["off_spike_volts"] = self.spike(rail, start, before, b)
            return f
        self.latch_figures(lock, f, rail, start, end, last, b, noise)
        return f

    def latch_figures(self, lock, f, rail, start, end, last, b, noise):
        before = f["volts_before"]
        whole = end is not None and end <= start + 60_000_000
        spacing = f["sample_ms"]
        disturbed = b is not None and b <= last
        pulse = [(t, v) for t, v in rail
                 if start < t <= last and not (b is not None and b <= last and t >= b)]
        deepest = before - min(v for _, v in pulse) if pulse else None
        told = deepest is not None and noise is not None
        seen = told and deepest >= 6 * max(noise, 0.001)
        reach = last + 2_000_000 if b is None else min(last + 2_000_000, b)
        window = [(t, v) for t, v in rail if start < t < reach]
        first = over = None
        if seen:
            for t, v in window:
                depth = before - v
                if first is None:
                    if depth > 0.5 * deepest and (t, v) in pulse:
                        first = t
                elif depth < 0.35 * deepest:
                    over = t
                    break
        # A second reading of one instant is later than the first; times alone tell them apart
        # here, as the random logs have none.
        sagged = first is not None
        final = None
        if sagged:
            final = max(t for t, v in window
                        if (over is None or t < over) and before - v > 0.5 * deepest)
        quiet_end = last if b is None else min(last, max(b, start))
        if sagged:
            final_in = min(final, last)
            settled = first + int((final_in - first) * 0.4)
        else:
            settled = start + int((quiet_end - start) * 0.4)
        coarse = spacing is None or spacing > 50
        if coarse and not lock.self_cut:
            settled = max(settled, start + 50_000)
        if sagged:
            part = [v for t, v in rail if settled <= t <= final_in]
        else:
            part = [v for t, v in pulse if t >= settled]
        sag = before - median(part) if part else None
        if lock.self_cut and not sagged:
            sag = None
        f["sag_volts"] = sag
        late = [v for t, v in rail if start + int((last - start) * 0.4) <= t <= last]
        if late and not disturbed:
            f["end_sag_volts"] = before - median(late)
        resolved = sagged and over is not None and over - final <= 40_000
        if resolved:
            f["sag_ms"] = (over - start) / 1000
        cut = resolved and over + (over - final) < last and not (disturbed and over >= b)
        if cut:
            f["cut_ms"], f["cut_gap_ms"] = (over - start) / 1000, (over - final) / 1000
        f["held"] = bool(told and sagged and not cut and whole and (b is None or b > last)
                         and last - final <= 40_000)
        fine = spacing is not None and spacing <= 20
        if fine and sagged:
            count, state = 0, False
            for _, v in pulse:
                if before - v > 0.5 * deepest:
                    count += not state
                    state = True
                elif before - v < 0.35 * deepest:
                    state = False
            f["sag_pulses"] = count
        elif fine and told and not seen:
            f["sag_pulses"] = 0
        off = final if cut else last
        clear = b is None or b > off
        if (whole or cut) and clear:
            f["off_spike_volts"] = self.spike(rail, off, before, b)
        if not ((whole or cut) and sagged and clear):
            return
        until = off + 2_000_000 if b is None else min(off + 2_000_000, b)
        margin = max(0.1 * sag, 2 * max(noise, 0.001)) if sag is not None else None
        previous = max((t for t, _ in rail if t <= off), default=None)
        if margin is not None:
            for t, v in rail:
                if off < t < until:
                    if v >= before - margin:
                        if previous is not None and t - previous <= 40_000:
                            f["recovery_ms"] = (t - off) / 1000
                        break
                    previous = t
        until = last + 2_000_000 if b is None else min(last + 2_000_000, b)
        later = [(t, v) for t, v in rail if last < t < until]
        if later and (b is None or b > last) and sag is not None:
            outlasts = later[-1][0] - last
            for i, (t, v) in enumerate(later):
                if v > before - 0.5 * sag:
                    outlasts = 0 if i == 0 else t - last
                    break
            f["sag_outlasts_ms"] = outlasts / 1000

    def neighbour_may_cut(self, lock, start):
        for other in self.venue.locks:
            if other.id == lock.id or other.supply != lock.supply or not other.self_cut:
                continue
            for begin, end, _ in self.pulses(other):
                finish = begin + 1_000_000 if end is None else min(end, begin + 1_000_000)
                if begin < start < finish:
                    return True
        return False

    def noise(self, values):
        steps = [abs(y - x) for x, y in itertools.pairwise(values)]
        if len(steps) < 6:
            return None
        kept = sorted(steps)[:len(steps) * 4 // 5]
        return sum(kept) / len(kept) / 0.5586 / 2**0.5

    def spike(self, rail, off, before, b):
        near = [(t, v) for t, v in rail if off <= t <= off + 20_000]
        if len(near) < 3 or (b is not None and off <= b <= off + 20_000):
            return None
        gaps = [near[0][0] - off] + [y[0] - x[0] for x, y in itertools.pairwise(near)]
        if max(gaps) >= 10_000:
            return None
        return max(v for _, v in near) - before
