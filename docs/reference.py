"""What a person may call from Python: subject by subject, with an example that runs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Page:
    """One page of the reference: the question it answers, an example, and what it lists.

    ``modules`` names what is public of each module; nothing named: all without an underscore.
    """

    name: str
    title: str
    answers: str
    example: str
    modules: Mapping[str, tuple[str, ...]]


PAGES = (
    Page(
        "reference-records", "Records and pairing",
        "Which contact edge answered which command, and how finely was it stamped?",
        '''>>> from datetime import UTC, datetime, timedelta
>>> import polars as pl
>>> from remanence.analytics.pairing.rules import pair
>>> from remanence.shared.tables import SIGNALS
>>> from remanence.shared.venue_file import parse_venue
>>> venue = parse_venue("""
... [venue]
... id = "mill"
... time_zone = "Europe/Lisbon"
... [[log]]
... files = ["*.csv"]
... format = "csv"
... [[supply]]
... id = "rail"
... channel = "rail"
... rated_volts = 12.0
... [[lock]]
... id = "flour-bin"
... guards = "container"
... mechanism = "latch"
... supply = "rail"
... command = "north/q1"
... contact = "north/i1"
... contact_closed_when = "locked"
... coil_ohms = 10.0
... cable_metres = 14.0
... cable_mm2 = 0.75
... max_on_ms = 800
... """)
>>> start = datetime(2026, 11, 2, 18, tzinfo=UTC)
>>> signals = SIGNALS.conform(pl.DataFrame({
...     "time": [start + timedelta(milliseconds=ms)
...              for ms in (0, 62, 65, 67, 500)],
...     "channel": ["north/q1", *["north/i1"] * 3, "north/q1"],
...     "quantity": ["command", *["contact"] * 3, "command"],
...     "value": [1, 0, 1, 0, 0], "run": [0] * 5}))
>>> paired = pair(signals, venue)
>>> paired.actuations.select("outcome", "latency_ms", "bounces").rows()
[('released', 62.0, 2)]
''',
        {
            "remanence.analytics.pairing.rules": ("Paired", "pair"),
            "remanence.analytics.clocks.polling": (),
            "remanence.analytics.history": ("History",),
        },
    ),
    Page(
        "reference-latency", "Latency, trends and rates",
        "How long does a release take, has it changed, and do commands fail more often than they "
        "did?",
        '''>>> import numpy as np
>>> import polars as pl
>>> from remanence.analytics.physics.latency import release_latency
>>> from remanence.analytics.statistics.rates import change_of_rate
>>> actuations = pl.DataFrame({
...     "lock": ["flour-bin"] * 8,
...     "outcome": ["released"] * 6 + ["no-release", "unobserved"],
...     "latency_ms": [61.0, 64.0, 62.0, 70.0, 66.0, 63.0, None, None],
...     "waited_ms": [1500.0] * 8,
...     "latency_from": ["catch"] * 8,
...     "resolution_ms": [1.0] * 8})
>>> latency = release_latency(actuations, quantiles=(0.5, 0.9))
>>> latency.select("lock", "commands", "censored", "p50_ms", "p90_ms").rows()
[('flour-bin', 7, 1, 64.0, None)]
>>> days, failed = np.arange(60), np.arange(60) % 3 == 0
>>> failed[:40] = False
>>> change = change_of_rate(days, failed)
>>> change.what, change.since, change.now.count, change.log_odds > 3
('rate', 42.0, (6, 18), True)
''',
        {
            "remanence.analytics.physics.latency": (
                "placed_within_resolution", "quantile_name", "release_latency", "with_week"),
            "remanence.analytics.statistics.survival": (
                "ProductLimit", "product_limit", "bound_of_quantile"),
            "remanence.analytics.drift.judge": ("Drifts", "LockDrift", "drifts"),
            "remanence.analytics.statistics.change": ("Change", "Side"),
            "remanence.analytics.statistics.level_change": (),
            "remanence.analytics.statistics.seasoned": ("shift_since", "seasoned_shift"),
            "remanence.analytics.statistics.rates": (),
            "remanence.analytics.statistics.control_charts": (),
        },
    ),
    Page(
        "reference-physics", "Physics of coil, cable and rail",
        "What do volts, heat and wire do to a lock, and what did they do?",
        '''>>> from datetime import UTC, datetime, timedelta
>>> import polars as pl
>>> from remanence.analytics.physics.cable import branch, cable_needed
>>> from remanence.analytics.physics.release import Solenoid
>>> from remanence.analytics.physics.source_resistance import source_resistance
>>> from remanence.shared.tables import ACTUATIONS
>>> from remanence.shared.venue_file import parse_venue
>>> venue = parse_venue("""
... [venue]
... id = "mill"
... time_zone = "Europe/Lisbon"
... [[log]]
... files = ["*.csv"]
... format = "csv"
... [[supply]]
... id = "rail"
... channel = "rail"
... rated_volts = 12.0
... [[lock]]
... id = "flour-bin"
... guards = "container"
... mechanism = "latch"
... supply = "rail"
... command = "north/q1"
... contact = "north/i1"
... contact_closed_when = "locked"
... coil_ohms = 10.0
... cable_metres = 14.0
... cable_mm2 = 0.75
... max_on_ms = 800
... """)
>>> lock = venue.locks_by_id["flour-bin"]
>>> at_lock = branch(lock, rail_volts=11.5)
>>> round(at_lock.terminal_volts, 2), round(at_lock.amps, 2)
(10.72, 1.07)
>>> cable_needed(lock, rail_volts=11.5, needed_percent=90).mm2
1.0
>>> latch = Solenoid(rise_ms=20.0, stall_volts=9.2, dead_ms=5.0)
>>> latch.latency_ms([12.0, 10.0, 9.0]).round(1).tolist()
[34.1, 55.5, inf]
>>> sags = ACTUATIONS.conform(pl.DataFrame({
...     "lock": ["flour-bin"] * 6, "outcome": ["released"] * 6,
...     "command_time": [datetime(2026, 11, day, 18, tzinfo=UTC)
...                      for day in range(2, 8)],
...     "volts_before": [12.0] * 6,
...     "sag_volts": [0.31, 0.33, 0.32, 0.32, 0.30, 0.33]}))
>>> ohms = source_resistance(sags, venue)
>>> ohms.select(
...     "supply", pl.col("resistance_ohms").round(1), "sags", "estimated"
... ).rows()
[('rail', 0.3, 6, True)]
''',
        {
            "remanence.analytics.physics.cable": (),
            "remanence.analytics.physics.coil_thermal": (),
            "remanence.analytics.physics.on_times": (),
            "remanence.analytics.physics.coil_heat": (),
            "remanence.analytics.physics.heat_curve": (),
            "remanence.analytics.physics.measured_heat": (),
            "remanence.analytics.physics.magnet": (),
            "remanence.analytics.physics.release": (),
            "remanence.analytics.physics.release_fit": (),
            "remanence.analytics.physics.off_voltage": (),
            "remanence.analytics.physics.sag_release": (),
            "remanence.analytics.physics.source_resistance": (),
            "remanence.analytics.physics.idle_volts": (),
            "remanence.analytics.physics.supply": (),
            "remanence.analytics.physics.rail_model": (),
            "remanence.analytics.physics.battery": (),
        },
    ),
    Page(
        "reference-findings", "Findings",
        "What is to be said of a week: which lock, rail or controller needs work?",
        '''>>> from datetime import UTC, datetime
>>> import polars as pl
>>> from remanence.dashboards.finding_words import FindingText
>>> from remanence.dashboards.page import language
>>> from remanence.analytics.conditions.diagnosis import diagnose
>>> from remanence.analytics.history import History
>>> from remanence.shared.tables import ACTUATIONS
>>> from remanence.shared.venue_file import parse_venue
>>> from remanence.shared.weeks import Week
>>> venue = parse_venue("""
... [venue]
... id = "mill"
... time_zone = "Europe/Lisbon"
... [[log]]
... files = ["*.csv"]
... format = "csv"
... [[supply]]
... id = "rail"
... channel = "rail"
... rated_volts = 12.0
... [[lock]]
... id = "flour-bin"
... guards = "container"
... mechanism = "latch"
... supply = "rail"
... command = "north/q1"
... contact = "north/i1"
... contact_closed_when = "locked"
... coil_ohms = 10.0
... cable_metres = 14.0
... cable_mm2 = 0.75
... max_on_ms = 800
... """)
>>> weeks = ACTUATIONS.conform(pl.DataFrame({"place": range(12 * 42)}).select(
...     lock=pl.lit("flour-bin"), outcome=pl.lit("released"),
...     latency_from=pl.lit("catch"), pulse_ms=pl.lit(500.0), attempt=1,
...     command_time=datetime(2026, 8, 31, 18, tzinfo=UTC) + pl.duration(
...         days=pl.col("place") // 6, minutes=20 * (pl.col("place") % 6)),
...     latency_ms=60.0 + pl.col("place") * 7 % 11
...     + 25 * (pl.col("place") >= 9 * 42)))
>>> history = History.of(venue, Week.parse("2026-W47"), actuations=weeks)
>>> for finding in diagnose(history):
...     print(finding.condition, finding.urgency, finding.since)
...     print([sentence.id for sentence in finding.says])
...     print(FindingText(language("en"), venue).sentences(finding)[0])
sticking-catch week 2026-11-02
['release-slower']
flour-bin takes 37% longer to release than before.
''',
        {
            "remanence.analytics.conditions.diagnosis": (),
            "remanence.analytics.conditions.fitting": (),
            "remanence.analytics.conditions.coil_circuit": (),
            "remanence.shared.findings": (),
        },
    ),
    Page(
        "reference-timing", "Timing",
        "Which pulse, wait and cue to programme, and what happens when locks fire together?",
        '''>>> from datetime import UTC, datetime
>>> import polars as pl
>>> from remanence.analytics.history import History
>>> from remanence.analytics.timing.gather import timing
>>> from remanence.analytics.timing.together import groups_in_log
>>> from remanence.shared.tables import ACTUATIONS
>>> from remanence.shared.venue_file import parse_venue
>>> from remanence.shared.weeks import Week
>>> venue = parse_venue("""
... [venue]
... id = "mill"
... time_zone = "Europe/Lisbon"
... [[log]]
... files = ["*.csv"]
... format = "csv"
... [[supply]]
... id = "rail"
... channel = "rail"
... rated_volts = 12.0
... [[lock]]
... id = "flour-bin"
... guards = "container"
... mechanism = "latch"
... supply = "rail"
... command = "north/q1"
... contact = "north/i1"
... contact_closed_when = "locked"
... coil_ohms = 10.0
... cable_metres = 14.0
... cable_mm2 = 0.75
... max_on_ms = 800
... """)
>>> weeks = ACTUATIONS.conform(pl.DataFrame({"place": range(12 * 42)}).select(
...     lock=pl.lit("flour-bin"), outcome=pl.lit("released"),
...     latency_from=pl.lit("catch"), pulse_ms=pl.lit(500.0), attempt=1,
...     command_time=datetime(2026, 8, 31, 18, tzinfo=UTC) + pl.duration(
...         days=pl.col("place") // 6, minutes=20 * (pl.col("place") % 6)),
...     latency_ms=60.0 + pl.col("place") * 7 % 11))
>>> history = History.of(venue, Week.parse("2026-W47"), actuations=weeks)
>>> answer = timing(history).answers[0]
>>> pulse = answer.pulse
>>> pulse.state, pulse.shortest_ms, pulse.change, pulse.recommended_ms
('good', 76.0, 'keep', 500.0)
>>> pulse.stated < 0.999, pulse.falls_short
(True, 'few')
>>> pair = pl.concat([weeks, weeks.with_columns(lock=pl.lit("meal-chest"))])
>>> [locks for locks, _ in groups_in_log(pair, within_ms=5, least=10)]
[('flour-bin', 'meal-chest')]
''',
        {
            "remanence.analytics.timing.gather": ("Timing", "settings_of", "timing"),
            "remanence.analytics.timing.answer": (
                "LockAnswer", "PulseAnswer", "WaitAnswer", "lock_answer", "nearest_offered",
                "pulse_answer", "stated_share", "wait_answer"),
            "remanence.analytics.timing.cue": ("CueAnswer", "cue_answer"),
            "remanence.analytics.timing.together": (
                "GroupAnswer", "JointSpread", "RailAnswer", "groups_in_log", "joint_spread",
                "range_quantile", "share_within", "together"),
            "remanence.analytics.timing.volts": (),
            "remanence.analytics.timing.tail": (),
            "remanence.analytics.timing.recent": (),
            "remanence.analytics.timing.misses": (),
            "remanence.analytics.timing.sample": ("Sample", "lock_sample"),
            "remanence.analytics.timing.fit": ("fit_lock",),
            "remanence.analytics.timing.slow": ("SlowMode", "slow_mode", "least_shares"),
            "remanence.analytics.timing.model": (
                "LockModel", "PulseGroup", "Quantile", "TimingRail", "SeenPoint", "Settings"),
        },
    ),
    Page(
        "reference-wear", "Wear, life and orders",
        "How long has each lock left, and which parts are to be ordered by when?",
        '''>>> from datetime import UTC, datetime
>>> import polars as pl
>>> from remanence.analytics.history import History
>>> from remanence.analytics.statistics.life import Lives, life_posterior
>>> from remanence.analytics.parts.demand import Place, draw_futures
>>> from remanence.analytics.parts.wear import remaining_life
>>> from remanence.shared.tables import ACTUATIONS
>>> from remanence.shared.venue_file import parse_venue
>>> from remanence.shared.weeks import Week
>>> venue = parse_venue("""
... [venue]
... id = "mill"
... time_zone = "Europe/Lisbon"
... [[log]]
... files = ["*.csv"]
... format = "csv"
... [[supply]]
... id = "rail"
... channel = "rail"
... rated_volts = 12.0
... [[lock]]
... id = "flour-bin"
... guards = "container"
... mechanism = "latch"
... supply = "rail"
... command = "north/q1"
... contact = "north/i1"
... contact_closed_when = "locked"
... coil_ohms = 10.0
... cable_metres = 14.0
... cable_mm2 = 0.75
... max_on_ms = 800
... """)
>>> weeks = ACTUATIONS.conform(pl.DataFrame({"place": range(12 * 42)}).select(
...     lock=pl.lit("flour-bin"), outcome=pl.lit("released"),
...     latency_from=pl.lit("catch"), pulse_ms=pl.lit(500.0), attempt=1,
...     command_time=datetime(2026, 8, 31, 18, tzinfo=UTC) + pl.duration(
...         days=pl.col("place") // 6, minutes=20 * (pl.col("place") % 6)),
...     latency_ms=60.0 + pl.col("place") * 7 % 11
...     + 0.15 * (pl.col("place") - 4 * 42).clip(0)))
>>> history = History.of(venue, Week.parse("2026-W47"), actuations=weeks)
>>> left = remaining_life(history)[0]
>>> left.sign, left.limit_from, left.chance_within(52) > 0.9
('wearing', 'stall', True)
>>> lives = Lives.of(
...     cycles=[41_000, 52_000, 60_000, 35_000],
...     ended=[True, True, True, False])
>>> life = life_posterior(lives, rated_cycles=100_000)
>>> life.basis, life.failure_probability([30_000], [5_000]).round(1).tolist()
('your data', [0.1])
>>> place = Place(age=30_000, pace=42, drift=left.weeks)
>>> draw_futures([place] * 3, life, 52).within(52).quantile(0.95)
3
''',
        {
            "remanence.analytics.parts.wear": (),
            "remanence.analytics.parts.wear_path": (),
            "remanence.analytics.parts.path_figures": (),
            "remanence.analytics.parts.path_filter": (),
            "remanence.analytics.parts.fleet_belief": (),
            "remanence.analytics.parts.pace": (),
            "remanence.analytics.parts.unanswered": (),
            "remanence.analytics.parts.arrival": (),
            "remanence.analytics.statistics.life": (),
            "remanence.analytics.parts.demand": (),
            "remanence.analytics.parts.orders": (),
            "remanence.analytics.parts.forecasts": (),
            "remanence.analytics.parts.unit_lives": (),
            "remanence.analytics.parts.unit_ends": (),
            "remanence.analytics.parts.cause_lives": (),
        },
    ),
    Page(
        "reference-toolkit", "A venue as tables",
        "What does the store of a venue hold for any span, as Polars or as pandas?",
        '''>>> import tempfile
>>> from datetime import date
>>> from pathlib import Path
>>> from remanence.pipelines.sheets.refresh import take_in
>>> from remanence.pipelines.toolkit import open_venue
>>> home = tempfile.TemporaryDirectory()
>>> folder = Path(home.name)
>>> _ = (folder / "venue.toml").write_text("""
... [venue]
... id = "mill"
... time_zone = "Europe/Lisbon"
... [[log]]
... files = ["*.csv"]
... format = "csv"
... [[supply]]
... id = "rail"
... rated_volts = 12.0
... [[lock]]
... id = "flour-bin"
... guards = "container"
... mechanism = "latch"
... supply = "rail"
... command = "north/q1"
... contact = "north/i1"
... contact_closed_when = "locked"
... """)
>>> _ = (folder / "monday.csv").write_text("""time,channel,quantity,value
... 2026-11-02T18:03:11.482Z,north/q1,command,1
... 2026-11-02T18:03:11.547Z,north/i1,contact,0
... 2026-11-02T18:03:11.982Z,north/q1,command,0
... """)
>>> _ = take_in(folder)
>>> house = open_venue(folder)
>>> house.actuations(lock="flour-bin").select("outcome", "latency_ms").rows()
[('released', 65.0)]
>>> house.signals(start=date(2026, 11, 2)).collect().height
3
>>> house.table("actuations", as_pandas=True)["pulse_ms"].tolist()
[500.0]
>>> home.cleanup()
''',
        {
            "remanence.pipelines.toolkit": (),
            "remanence.analytics.health.result_rows": (),
        },
    ),
    Page(
        "reference-tables", "Tables, weeks and the venue file",
        "Which columns does a table have, which week is a moment in, and what does a venue file "
        "say?",
        r'''>>> from datetime import UTC, date, datetime
>>> import polars as pl
>>> from remanence.shared.errors import TableError, VenueFileError
>>> from remanence.shared.table import require
>>> from remanence.shared.tables import ACTUATIONS
>>> from remanence.shared.venue_file import parse_venue
>>> from remanence.shared.weeks import Week
>>> mine = pl.DataFrame({"lock": ["flour-bin"], "latency_ms": [62]})
>>> ACTUATIONS.conform(mine).select("lock", "latency_ms", "waited_ms").rows()
[('flour-bin', 62.0, None)]
>>> try:
...     require(mine, ACTUATIONS, ("lock", "latency_ms"))
... except TableError as error:
...     print(error)
actuations: column latency_ms is Int64, Float64 expected
>>> str(Week.of(date(2026, 12, 31))), str(Week.parse("2026-W53").plus(1))
('2026-W53', '2027-W01')
>>> try:
...     parse_venue("[venue]\nid = 'mill'\n", "mill.toml")
... except VenueFileError as error:
...     print(len(error.problems) > 1)
True
''',
        {
            "remanence.shared.table": (),
            "remanence.shared.tables": (),
            "remanence.shared.weeks": (),
            "remanence.shared.limits": (),
            "remanence.shared.venue_file": ("parse_venue",),
            "remanence.shared.venue": (),
        },
    ),
)
