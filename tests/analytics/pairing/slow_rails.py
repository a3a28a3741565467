"""What the rail shows of each command, a second time, slowly and obviously.

Written from the meaning of the columns (the docstring of remanence.analytics.pairing.rails), not
from its code, and it shares no function with it. Times are UTC microseconds, here as stamped.
"""

from __future__ import annotations

import itertools
from statistics import median

from tests.analytics.pairing.slow_levels import levels, stamp


class SlowRails:
    """The commands of all locks of a venue, and what their rails show, over one list of records."""

    def __init__(self, venue, records):
        # records: (time, channel, quantity, value, run)
        self.venue = venue
        self.records = sorted(set(records))
        self.kept = {}
        self.commands = {}
        for lock in venue.locks:
            said = [(t, v == lock.command_energised, run) for t, c, q, v, run in self.records
                    if c == lock.command and q == "command"]
            # Rest: latches off, magnets on.
            self.commands[lock.id] = levels(said, lock.released_by == "power-off")

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

    def samples(self, channel, quantity):
        """Readings in time order, as they stand in the log; of one place, the lower first."""
        if (channel, quantity) not in self.kept:
            said = sorted((t, v) for t, c, q, v, _ in self.records
                          if c == channel and q == quantity)
            self.kept[channel, quantity] = [
                one for one, _ in itertools.groupby((stamp(t), v) for t, v in said)]
        return self.kept[channel, quantity]

    def amps(self, lock, row, cut_ms):
        start = stamp(row["start"])
        end = None if row["end"] is None else stamp(row["end"])
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
        start = stamp(row["start"])
        end = None if row["end"] is None else stamp(row["end"])
        rail = self.samples(channel, "volts") if channel else []
        # (No figure looks further than this.)
        rail = [r for r in rail if start - 60_000_000 <= r[0] <= start + 63_000_000]
        f["volts_samples"] = 0 if channel else None
        if not rail:
            return f
        pulsed = lock.released_by == "power-on"
        others = sorted(
            stamp(t) for other in self.venue.locks
            if other.supply == lock.supply and other.id != lock.id
            for t, _, _ in self.commands[other.id])
        own = [stamp(t) for t, _, _ in self.commands[lock.id]]
        a = max((t for t in (*others, *own) if t < start), default=None)
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
        read_before = [t for t, _ in rail if start - 2_000_000 <= t < start]
        if pulsed and end == last and not read_before:
            until = last + 2_000_000 if b is None else min(last + 2_000_000, b)
            after = [v for t, v in rail if last + 50_000 < t < until]
            f["volts_before"] = before = median(after) if after else None
            if noise is None:
                f["volts_noise"] = noise = self.noise(after[-64:])
        if noise is None:
            until = last + 2_000_000 if b is None else min(last + 2_000_000, b)
            around = [v for t, v in rail if start - 2_000_000 <= t < until]
            f["volts_noise"] = noise = self.noise(around[-64:])
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
            final_in = max(t for t, v in pulse if t <= final and before - v > 0.5 * deepest)
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
                begin, end = stamp(begin), None if end is None else stamp(end)
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
        if len(near) < 2 or (b is not None and off <= b <= off + 20_000):
            return None
        gaps = [near[0][0] - off] + [y[0] - x[0] for x, y in itertools.pairwise(near)]
        if max(gaps) > 10_000:
            return None
        return max(v for _, v in near) - before
