"""Play a scenario: every command of every lock, and what the lock and its people did.

The result is what truly happened, in rows that both levels of the campaign use:
:mod:`tests.campaign.as_tables` writes down what a perfect pairing would make of it,
:mod:`tests.campaign.as_signals` the raw records.
"""

from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta

import numpy as np

from tests.campaign import replay as played
from tests.campaign.crossing import cross_channels
from tests.campaign.faults import change_of_median, stamped_ms
from tests.campaign.heat import warmed
from tests.campaign.mechanics import by_side_load, by_volts_and_warmth
from tests.campaign.rails import magnets_cut, rail_volts, source_ohms

US = 1_000_000
COAST_MS = 1000.0
"""The default wait after a pulse, as the interface of the pairing states it."""


@dataclass
class Happened:
    """What one lock did. Times are microseconds UTC."""

    acts: list = field(default_factory=list)
    """(command, off, true latency ms or inf, seen latency ms or None, waited ms, outcome,
    attempt, volts, amps, conducts ms, coincident, outlasts ms, bounces, day)."""
    moves: list = field(default_factory=list)
    """(time, opens, commanded, bounces): settled movements as the contact showed them."""
    openings: list = field(default_factory=list)
    """(time, energised, last command or None, last outcome, other lock, other ms, open ms)."""


@dataclass
class Played:
    """A whole venue's past."""

    scenario: object
    by_lock: dict
    day_start: np.ndarray
    service: list
    true_medians: dict
    """(lock, week number) -> true median, ms."""
    true_at_rated: dict = field(default_factory=dict)
    """The same for latches, had the rail stood at its rated volts and the rooms at the
    temperature they had on average up to then."""
    hottest: dict = field(default_factory=dict)
    """(lock, week number) -> hottest its coil came to be, degrees, where one is held on."""


def play(scenario):
    """Play all of it."""
    zone = scenario.venue.zone
    day_start = np.array([
        int(datetime.combine(scenario.start + timedelta(days=n), time(), zone)
            .astimezone(UTC).timestamp()) * US
        for n in range(scenario.days + 1)
    ])
    past = Played(scenario, {}, day_start, _service(scenario), {})
    starts = _game_starts(scenario, day_start)
    # Magnets first: what they draw, and when they do not, is in the volts of the others.
    for number, life in sorted(enumerate(scenario.locks), key=lambda item: item[1].lock.pulsed):
        rng = np.random.default_rng([scenario.seed, number, 77])
        run = _PulsedRun if life.lock.pulsed else _HeldRun
        past.by_lock[life.lock.id] = run(rng, scenario, life, past).run(
            _planned(rng, scenario, life, starts, day_start)
        )
    cross_channels(scenario, past, COAST_MS)
    return past


def _game_starts(scenario, day_start):
    rng = scenario.rng
    starts = []
    for day, games in enumerate(scenario.games):
        if not games:
            continue
        spacing = min(80, 12 * 60 // max(games, 1))
        first = day_start[day] + 10 * 3600 * US
        starts += [(day, int(first + (g * spacing * 60 + rng.integers(0, 240)) * US),
                    spacing) for g in range(games)]
    return starts


def _planned(rng, scenario, life, starts, day_start):
    """(day, time, reset time, staff) of each first command; a game's are apart from the next."""
    place = float(rng.uniform(0.08, 0.6))
    rows = []
    if life.per_game >= 0.7:
        for day in np.flatnonzero(scenario.games):
            at = int(day_start[day] + 9.4 * 3600 * US + rng.integers(0, 1500 * US))
            rows.append((int(day), at, at + int(rng.uniform(9, 40) * US), True))
    for day, start, spacing in starts:
        length = spacing * 60
        tries = int(life.per_game) + (rng.random() < life.per_game % 1)
        for number in range(tries):
            into = (place + 0.14 * number) * length + rng.normal(0, 20)
            at = start + int(into * US)
            reset = start + int((0.86 * length if number == tries - 1
                                 else (place + 0.07) * length) * US)
            rows.append((day, at, reset + int(rng.integers(0, 60 * US)), False))
    return sorted(rows, key=lambda row: row[1])


class _Run:
    """What both families of locks share: the surroundings of each command."""

    def __init__(self, rng, scenario, life, past):
        self.rng, self.scenario, self.life, self.past = rng, scenario, life, past
        self.rail = scenario.rails[life.lock.supply]
        self.out = Happened()
        days = np.arange(scenario.days)
        self.change = change_of_median(scenario, life, days) + scenario.common + life.wander
        if life.refit_day is not None:
            self.change = self.change + life.refit_shift * (days >= life.refit_day)
        self.volts_of_day = rail_volts(scenario, self.rail, days)
        self.source_of_day = source_ohms(scenario, self.rail, days)
        self.faults = scenario.faults_of(life.lock.id)
        self.held = []

    def fault(self, condition, day):
        """The fault of that kind if it is there today."""
        for fault in self.faults:
            if fault.condition == condition and fault.there(day):
                return fault
        return None

    def note_week(self, planned, centre_ms):
        """The true median of each week."""
        weeks = {}
        for row, centre in zip(planned, centre_ms, strict=True):
            weeks.setdefault(row[0] // 7, []).append(centre)
        for week, centres in weeks.items():
            draws = np.repeat(centres, 40)
            draws = draws * np.exp(self.rng.normal(0, self.life.scatter, draws.size))
            self.past.true_medians[self.life.lock.id, week] = float(
                np.median(draws))

    def note_rated(self, planned, centre_ms):
        """The true median of each week at rated volts."""
        weeks = {}
        for row, centre in zip(planned, centre_ms, strict=True):
            weeks.setdefault(row[0] // 7, []).append(centre)
        for week, centres in weeks.items():
            draws = np.repeat(centres, 40)
            draws = draws * np.exp(self.rng.normal(0, self.life.scatter, draws.size))
            self.past.true_at_rated[self.life.lock.id, week] = float(
                np.median(draws))

    def scatter(self, count):
        """Logarithms of single releases' scatter."""
        if self.life.replay:
            return played.reading_scatter(self.rng, count, self.life.scatter)
        return self.rng.normal(0, self.life.scatter, count)

    def bounces(self, day):
        """Edges after the first."""
        chatter = self.fault("contact-chatter", day)
        more = chatter.size * float(chatter.growth([day])[0]) / 2 if chatter else 0.0
        coarse = 0.15 if self.life.scan_ms > 2.0 else 1.0
        return 2 * int(self.rng.poisson((self.life.bounce * 0.5 + more) * coarse))


class _PulsedRun(_Run):
    """Latches, bolts and strikes: the coil pulls the catch."""

    def run(self, planned):
        life, lock, rng, scenario = self.life, self.life.lock, self.rng, self.scenario
        count = len(planned)
        day = np.array([p[0] for p in planned], int)
        staff = np.array([p[3] for p in planned], bool)
        celsius = scenario.celsius[day] + rng.normal(1.0, 1.0, count)
        coincident = rng.random(count) < 0.15
        warm = 1 + 0.00393 * (celsius - 20)
        cable = 2 * 0.0175 * lock.cable_metres / lock.cable_mm2
        source = self.source_of_day[day]
        at = np.array([p[1] for p in planned], np.int64)
        volts = self.volts_of_day[day] + rng.normal(0, 0.004 * lock.rated_volts / 12, count)
        volts = volts + source * magnets_cut(self.past, lock.supply, at)
        # Ohm's law: source, cable and coil in line.
        amps = volts / (lock.coil_ohms * warm + cable + source)
        at_coil = volts - amps * (source + cable) - coincident * source * 1.2
        centre = np.log(life.base_ms) + self.change[day] + by_volts_and_warmth(
            at_coil / lock.rated_volts, celsius)
        usual = np.cumsum(scenario.celsius)[day] / (day + 1.0) + 1.0
        first = self.rail.source_ohms
        rated = lock.rated_volts * (1 - (first + cable) / (lock.coil_ohms * warm + cable + first))
        leans = (rng.random(count) < life.leans) & ~staff
        push = np.where(leans, rng.gamma(2.0, 0.35, count), 0.0)
        self.note_week(planned, np.exp(centre + by_side_load(push)))
        self.note_rated(planned, np.exp(
            np.log(life.base_ms) + self.change[day] + by_side_load(push)
            + by_volts_and_warmth(rated / lock.rated_volts, usual)))
        latency = np.exp(centre + self.scatter(count) + by_side_load(push)
                         + np.where(staff, 0.03, 0.0))
        again = np.exp(centre + rng.normal(0, life.scatter, count))
        self.coil = lock.coil_ohms * warm
        self.share, self.room = at_coil / lock.rated_volts, celsius
        self.watts = lock.rated_volts**2 / lock.coil_ohms
        self._loop(planned, latency, again, volts, amps, coincident)
        return self.out

    def _loop(self, planned, latency, again, volts, amps, coincident):
        life, rng = self.life, self.rng
        is_open, opened_at, busy_until = False, 0, 0
        for number, (day, at, reset, staff) in enumerate(planned):
            if at <= busy_until:
                continue
            at = self._stamp(at)
            done, attempt = False, 1
            while True:
                pulse = self._pulse(day, staff)
                true_ms = self._latency(number, day, staff, latency, again, attempt)
                true_ms *= self._slower_for_heat(number, at)
                ended = at + int(pulse * 1e3)
                released, next_at = not is_open and true_ms < pulse + 40, None
                wait_ms = float(rng.uniform(500, 1600))
                shown = self._shown(day, is_open, released)
                if shown == "no-release" and life.program_retries and attempt < 3:
                    next_at = self._stamp(ended + int(wait_ms * 1e3))
                self._note(number, day, at, ended, true_ms, shown, attempt, next_at, volts,
                           amps, coincident, is_open)
                if released:
                    is_open, opened_at, done = True, at + int(true_ms * 1e3), True
                    self._move(opened_at, True, shown == "released", day)
                elif is_open:
                    done = True
                busy_until = ended
                self._heat(day, at, ended)
                if next_at is None:
                    break
                at, attempt = next_at, attempt + 1
            if not done and not is_open and not self._frozen(day):
                hand = busy_until + int(rng.uniform(8, 60) * US)
                self._opening(hand, at, "no-release", day)
                is_open, opened_at, busy_until = True, hand, hand
            is_open, busy_until = self._reset(day, reset, staff, is_open, busy_until, at)

    def _heat(self, day, at, ended):
        """Remember the on-times of a coil that is held on, and how hot it came to be."""
        if not self.fault("hot-coil", day):
            return
        self.held = [spell for spell in self.held if spell[1] > at / US - 3600.0]
        self.held.append((at / US, ended / US))
        key = self.life.lock.id, day // 7
        hottest = float(self.scenario.celsius[day]) + warmed(self.watts, self.held, ended / US)
        self.past.hottest[key] = max(hottest, self.past.hottest.get(key, -np.inf))

    def _slower_for_heat(self, number, at):
        if not self.held:
            return 1.0
        share, room = self.share[number], self.room[number]
        hot = room + warmed(self.watts, self.held, at / US)
        cold, warm = by_volts_and_warmth([share, share], [room, hot])
        return float(np.exp(warm - cold))

    def _stamp(self, at):
        grid = int(self.life.scan_ms * 1e3) if self.life.tied else 1000
        return int(at) // grid * grid

    def _pulse(self, day, staff):
        life = self.life
        hot = self.fault("hot-coil", day)
        if hot and not staff:
            long = self.rng.random() < hot.size
            return float(self.rng.uniform(3e5, 6e5)) if long else life.pulse_ms
        held = self.fault("over-long-energising", day)
        if held and self.rng.random() < held.size and not staff:
            return float(self.rng.uniform(1.3, 12.0)) * (life.lock.max_on_ms or 1000.0)
        short = self.fault("short-pulse", day)
        pulse = life.pulse_ms if day < life.new_pulse_day else life.new_pulse_ms
        if short:
            return float(np.round(life.base_ms * short.size + 1.0))
        return pulse

    def _latency(self, number, day, staff, latency, again, attempt):
        true_ms = latency[number] if attempt == 1 else (
            again[number] * float(np.exp(self.rng.normal(0, self.life.scatter))))
        rate = self.life.no_release
        stuck = self.fault("no-release", day)
        if stuck:
            rate = stuck.size if attempt == 1 else 0.35
        mode = self.fault("sticking-catch", day)
        if mode and mode.shape == "mode" and self.rng.random() < mode.size * (
                2.0 if staff else 1.0):
            true_ms *= float(np.exp(by_side_load(self.rng.uniform(4.5, 6.8))))
        loaded = self.fault("loaded-catch", day)
        if loaded and not staff and self.rng.random() < (
                loaded.size if attempt == 1 else 0.5):
            true_ms += float(self.rng.uniform(25, 330))
        if self.rng.random() < rate or self.fault("coil-open", day):
            true_ms = np.inf
        return float(true_ms)

    def _frozen(self, day):
        return self.fault("contact-stuck", day) is not None

    def _shown(self, day, is_open, released):
        """The outcome as feedback shows it."""
        lock = self.life.lock
        if not lock.contact:
            if not lock.self_cut or is_open or self.fault("coil-open", day):
                return "unobserved"
            return "released" if released else "no-release"
        if self._frozen(day):
            return "no-release"
        if self.fault("contact-inverted", day):
            return "no-release" if is_open else "already-open"
        if is_open:
            return "already-open"
        return "released" if released else "no-release"

    def _note(self, number, day, at, ended, true_ms, shown, attempt, next_at, volts, amps,
              coincident, is_open):
        lock, rng = self.life.lock, self.rng
        pulse = (ended - at) / 1e3
        conducts = pulse
        cuts = lock.self_cut and not self.fault("self-cut-failed", day)
        if cuts and true_ms < pulse and not is_open:
            conducts = true_ms
        if is_open and cuts:
            conducts = 0.0
        current = 0.0 if self.fault("coil-open", day) else float(amps[number])
        shorted = self.fault("coil-current-high", day)
        if shorted:
            # Turns that are shorted take their ohms out of the circuit; cable and source stay.
            current = float(volts[number]) / (
                float(volts[number]) / current - self.coil[number] * (1 - 1 / shorted.size))
        weld = self.fault("stuck-energised", day)
        outlasts = float(rng.uniform(800, 9000)) if weld and rng.random() < weld.size else 0.0
        waited = pulse + COAST_MS
        if next_at is not None:
            waited = min(waited, (next_at - at) / 1e3)
        shown_ms = None
        if shown == "released":
            shown_ms = self._seen(at, true_ms)
            waited = shown_ms
        self.out.acts.append((
            at, ended, true_ms, shown_ms, waited, shown, attempt, float(volts[number]), current,
            conducts, bool(coincident[number]), outlasts,
            self.bounces(day) if shown == "released" and lock.contact else 0, day,
        ))

    def _seen(self, at, true_ms):
        if self.life.lock.contact:
            return stamped_ms(at, true_ms, self.life.scan_ms)
        step = self.rail.sample_ms
        return float(np.ceil(true_ms / step) * step)

    def _move(self, at, opens, commanded, day):
        if self.life.lock.contact and not self._frozen(day):
            if self.fault("contact-inverted", day):
                opens = not opens
            self.out.moves.append((int(at), opens, commanded, self.bounces(day)))

    def _opening(self, at, last, outcome, day, open_s=None):
        if self.life.lock.contact and not self._frozen(day):
            self._move(at, True, False, day)
            if not self.fault("contact-inverted", day):
                self.out.openings.append((int(at), False, last, outcome, None, None,
                                          None if open_s is None else open_s * 1e3))

    def _reset(self, day, reset, staff, is_open, busy_until, last):
        """Staff shut it, or forget; open it by hand now and then; it may fall open."""
        rng, life = self.rng, self.life
        left = self.fault("not-reclosed", day)
        forgets = left.size if left else life.forgets
        at = max(reset, busy_until + 2 * US)
        if is_open and (staff or rng.random() >= forgets):
            self._move(at, False, False, day)
            if self.fault("contact-inverted", day) and life.lock.contact:
                self.out.openings.append((int(at), False, last, "already-open", None, None, None))
            is_open, busy_until = False, at
        opened = self.fault("opened-unpowered", day)
        often = life.by_hand + (opened.size if opened else 0.0)
        if not is_open and not staff and rng.random() < often:
            start = at + int(rng.uniform(15, 90) * US)
            stays = float(rng.uniform(3, 25))
            self._opening(start, last, "released", day, stays)
            self._move(start + int(stays * US), False, False, day)
            busy_until = start + int(stays * US)
        return is_open, busy_until


class _HeldRun(_Run):
    """Magnets: they let go when the field has decayed."""

    def run(self, planned):
        life, lock, rng, scenario = self.life, self.life.lock, self.rng, self.scenario
        count = len(planned)
        day = np.array([p[0] for p in planned], int)
        celsius = scenario.celsius[day] + rng.normal(1.0, 1.0, count)
        centre = np.log(life.base_ms) + self.change[day] - 0.0025 * (celsius - 20)
        self.note_week(planned, np.exp(centre))
        latency = np.exp(centre + self.scatter(count))
        for fault in self.faults:
            if fault.condition == "slow-drop":
                tail = rng.random(count) < 0.12 * fault.growth(day)
                latency = latency * np.where(tail, rng.uniform(1.2, 2.2, count), 1.0)
        if lock.contact_senses == "door" and lock.contact:
            latency = latency + 500.0 * np.exp(rng.normal(0, 0.5, count))
        volts = self.volts_of_day[day] + rng.normal(0, 0.01, count)
        amps = volts / (lock.coil_ohms * (1 + 0.00393 * (celsius - 8)))
        busy_until = 0
        for number, (d, at, reset, staff) in enumerate(planned):
            if at <= busy_until + US:
                continue
            grid = int(life.scan_ms * 1e3) if life.tied else 1000
            at = int(at) // grid * grid
            off_s = 9.0 if lock.on_way_out else max((reset - at) / US, 4.0)
            if staff:
                off_s = 7.0
            ended = at + int(off_s * 1000) * 1000
            never = rng.random() < life.no_release * 0.2
            true_ms = np.inf if never else float(latency[number])
            frozen = self.fault("contact-stuck", d) is not None
            shown = "unobserved" if not lock.contact else (
                "no-release" if never or frozen else "released")
            shown_ms = stamped_ms(at, true_ms, life.scan_ms) if shown == "released" else None
            self.out.acts.append((
                at, ended, true_ms, shown_ms, shown_ms or off_s * 1e3, shown, 1,
                float(volts[number]), float(amps[number]), off_s * 1e3, False, 0.0,
                self.bounces(d) if shown == "released" else 0, d,
            ))
            busy_until = ended
            if lock.contact and not frozen and not never:
                self.out.moves.append((at + int(true_ms * 1e3), True, True, 0))
                back = ended + int(rng.uniform(0.06, 0.25) * US)
                self.out.moves.append((back, False, False, self.bounces(d)))
                busy_until = back
            self._pulled(d, busy_until, at, frozen, staff)
        return self.out

    def _pulled(self, day, after, last, frozen, staff):
        """A magnet that holds weakly lets go under a pull while it is energised."""
        weak = self.fault("weakening-hold", day)
        if not weak or frozen or staff:
            return
        often = 0.004 * (weak.size - 40.0) * float(weak.growth([day])[0])
        if self.rng.random() < often:
            at, stays = after + int(self.rng.uniform(5, 120) * US), float(self.rng.uniform(0.3, 3))
            self.out.openings.append((at, True, last, "released", None, None, stays * 1e3))
            self.out.moves.append((at, True, False, 0))
            self.out.moves.append((at + int(stays * US), False, False, 0))


def _service(scenario):
    """Service rows: release tests on every way out, refits, repairs that helped or did not."""
    rows, rng = [], scenario.rng
    for life in scenario.locks:
        lock = life.lock
        if lock.on_way_out:
            due = next((f for f in scenario.faults_of(lock.id, "release-test-due")), None)
            day = int(rng.integers(-27, 0))
            last = scenario.days if due is None else due.since_day - 32
            if due is not None:
                day -= (day - last) % 28 if last > day else 0
                day = last - 28 * ((last - day) // 28)
            while day <= last and day < scenario.days:
                rows.append((day, lock.id, "release-tested", "let go"))
                day += 28
        if life.refit_day is not None:
            rows.append((life.refit_day, lock.id, "replaced", ""))
        elif rng.random() < 0.1:
            rows.append((int(rng.integers(20, scenario.days)), lock.id, "inspected", ""))
        for fault in scenario.faults_of(lock.id):
            for day in (fault.mended_day, fault.useless_repair_day):
                if day is not None and day < scenario.days:
                    rows.append((day, lock.id, "adjusted", ""))
    return sorted(rows)
