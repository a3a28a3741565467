"""Run the campaign: play venues, let the program judge every week, score what it said."""

import json
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict

from tests.campaign.scenario import FIRST_SCORED_WEEK, draw


def judge(scenario, frames, weeks=None):
    """What the program says of each scored week, and the seconds a week took."""
    from remanence.analytics.conditions.diagnosis import diagnose
    from remanence.analytics.conditions.life import lives
    from remanence.analytics.conditions.shown import what_was_shown
    from remanence.analytics.history import History
    from remanence.shared.findings import rank
    from remanence.shared.weeks import Week
    from tests.campaign.score import Said

    first = Week.of(scenario.start)
    said, spent, count, standing = [], 0.0, 0, ()
    for number in weeks or range(FIRST_SCORED_WEEK, scenario.weeks):
        begin = time.perf_counter()
        history = History.of(scenario.venue, first.plus(number), **frames)
        made = lives(standing, diagnose(history), what_was_shown(history), history.week)
        standing = made.standing
        findings = sorted((f for f in made.told if f.status != "ended"), key=rank)
        spent, count = spent + time.perf_counter() - begin, count + 1
        said += [
            Said(number, place, f.subject, f.subject_kind, f.condition, f.urgency, f.score,
                 f.since, f.since_low, f.since_high, [asdict(e) for e in f.evidence])
            for place, f in enumerate(findings)
        ]
    return said, spent / max(count, 1)


def one_venue(seed, level="tables", weeks=26, locks=None):
    """Play and score one venue.

    Parameters
    ----------
    seed : int
        Even: healthy; odd: with faults.
    level : str
        ``tables`` hands the analysis the tables a perfect pairing would make;
        ``log`` writes raw records and lets the program pair them itself.
    """
    from tests.campaign.play import play
    from tests.campaign.score import score

    scenario = draw(seed, weeks=weeks, locks=locks)
    past = play(scenario)
    if level == "log":
        from tests.campaign.as_signals import paired_tables

        frames = paired_tables(past)
    else:
        from tests.campaign.as_tables import tables_of

        frames = tables_of(past)
    said, seconds = judge(scenario, frames)
    return score(scenario, past, said, seconds)


def kept_venue(seed, level, weeks, keep):
    """The same, out of the folder ``keep`` where an earlier run left it there."""
    from tests.campaign.score import VenueScore

    if keep is None:
        return one_venue(seed, level, weeks)
    path = keep / f"{level}-{weeks}-{seed}.json"
    if path.is_file():
        return VenueScore(**json.loads(path.read_text(encoding="utf-8")))
    scored = one_venue(seed, level, weeks)
    keep.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(asdict(scored), default=str), encoding="utf-8")
    return scored


def campaign(seeds, *, level="tables", jobs=1, weeks=26, keep=None, progress=None):
    """Scores of all venues, in the order of their seeds."""
    if jobs <= 1:
        scores = []
        for seed in seeds:
            scores.append(kept_venue(seed, level, weeks, keep))
            if progress:
                progress(scores[-1])
        return scores
    with ProcessPoolExecutor(jobs) as pool:
        running = [pool.submit(kept_venue, seed, level, weeks, keep) for seed in seeds]
        scores = []
        for job in running:
            scores.append(job.result())
            if progress:
                progress(scores[-1])
    return scores
