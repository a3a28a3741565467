"""The campaign's table, in words and as a page of the documentation."""

import itertools

import numpy as np

from tests.campaign.scenario import FIRST_SCORED_WEEK

LATENCY_CHANGES = ("sticking-catch", "slow-drop", "weakening-hold")


def share(hits, total):
    """A share with its count, or a dash."""
    return f"{100 * hits / total:.0f} % ({hits}/{total})" if total else "–"


def _facts(scores):
    """(hits, of how many) behind each goal."""
    from tests.campaign.score import FIRST_FULL_WEEK

    faults = [f for s in scores for f in s.faults if f["counted"]]
    latency = [f for f in faults if f["condition"] in LATENCY_CHANGES and f["shape"] != "mode"]
    alone = [f for f in latency if not f["rail_failing"]]
    steps = [f for f in faults if f["condition"] in FIRST_FULL_WEEK]
    first = [f for f in faults if f["first_condition"]]
    dated = [f for f in faults if f["since_error_days"] is not None]
    close = [f for f in dated if abs(f["since_error_days"]) <= _days_allowed(f["shape"])]
    covered = [f["since_covered"] for f in dated if f["since_covered"] is not None]
    intervals = [row[1] for s in scores for row in s.intervals]
    weeks = [said for f in faults for _, said in f["lasted"]]
    return {
        "lasting": (weeks.count("named"), len(weeks)),
        "latency": (sum(f["named_in_time"] for f in latency), len(latency)),
        "latency alone": (sum(f["named_in_time"] for f in alone), len(alone)),
        "steps": (sum(f["named_in_time"] for f in steps), len(steps)),
        "first": (sum(f["first_condition"] == f["condition"] for f in first), len(first)),
        "since": (len(close), len(dated)),
        "since interval": (sum(covered), len(covered)),
        "intervals": (sum(intervals), len(intervals)),
    }


def _days_allowed(shape):
    return 21 if shape in ("ramp", "hockey") else 10


def totals(scores):
    """The campaign in a few figures."""
    lock_weeks = sum(s.healthy_lock_weeks for s in scores)
    false = sum(len(s.false) for s in scores)
    facts = _facts(scores)
    return {
        "healthy lock-weeks": lock_weeks,
        "false findings": false,
        "false per 1,000 lock-weeks": 1000 * false / max(lock_weeks, 1),
        "latency changes named within two weeks": share(*facts["latency"]),
        "step faults named in the first full week": share(*facts["steps"]),
        "first condition is the one put in": share(*facts["first"]),
        "weeks in which a lasting fault is named again": share(*facts["lasting"]),
        "since close enough": share(*facts["since"]),
        "since interval covers": share(*facts["since interval"]),
        "stated intervals cover": share(*facts["intervals"]),
        "seconds per week analysed": float(np.mean([s.seconds_per_week for s in scores])),
    }


def goals(scores):
    """What is asked, what was measured, and whether that is enough."""
    lock_weeks = sum(s.healthy_lock_weeks for s in scores)
    rate = 1000 * sum(len(s.false) for s in scores) / max(lock_weeks, 1)
    facts = _facts(scores)
    lines = ["| what is asked | goal | measured | met |", "| --- | --- | --- | --- |",
             "| false findings, urgency `plan` or above, on a healthy subject | at most 0.5 per "
             f"1,000 lock-weeks | {rate:.2f} | {'yes' if rate <= 0.5 else 'no'} |"]
    for name, what, least, most in (
        ("latency", "a release 12 % slower or faster is named within two weeks", 98, 100),
        ("latency alone", "the same, of locks whose rail did not fail within three weeks of it", 98,
         100),
        ("steps", "a step fault is named in the first full week", 99, 100),
        ("first", "the first condition named is the one put in", 95, 100),
        ("since", "`since` within 10 days (steps), three weeks (slow faults)", 90, 100),
        ("lasting", "after its first naming a fault that lasts is named in its later weeks", 98,
         100),
        ("since interval", "the interval of `since` holds the day (95 % stated)", 93, 100),
        ("intervals", "other stated 95 % intervals hold the truth", 93, 97),
    ):
        hits, total = facts[name]
        met = "–" if not total else "yes" if least <= 100 * hits / total <= most else "no"
        goal = f"{least} %" if most == 100 else f"{least} to {most} %"
        lines.append(f"| {what} | {goal} | {share(hits, total)} | {met} |")
    return "\n".join(lines)


def by_condition(scores):
    """A row per condition and shape."""
    rows = {}
    for s in scores:
        for f in s.faults:
            rows.setdefault((f["condition"], f["shape"]), []).append(f)
    lines = ["| condition | course | put in | counted | in time | ever named | median delay, days "
             "| first condition right | since close | since interval covers "
             "| later weeks that name it |",
             "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"]
    for (condition, shape), all_faults in sorted(rows.items()):
        counted = [f for f in all_faults if f["counted"]]
        named = [f for f in counted if f["named_day"] is not None]
        delays = [f["named_day"] - max(f["reached_day"], 7 * FIRST_SCORED_WEEK) for f in named]
        first = [f for f in counted if f["first_condition"]]
        limit = _days_allowed(shape)
        dated = [f for f in named if f["since_error_days"] is not None]
        covered = [f["since_covered"] for f in named if f["since_covered"] is not None]
        weeks = [said for f in counted for _, said in f["lasted"]]
        lines.append(
            f"| {condition} | {shape} | {len(all_faults)} | {len(counted)} | "
            f"{share(sum(f['named_in_time'] for f in counted), len(counted))} | "
            f"{share(len(named), len(counted))} | "
            f"{f'{np.median(delays):.0f}' if delays else '–'} | "
            f"{share(sum(f['first_condition'] == condition for f in first), len(first))} | "
            f"{share(sum(abs(f['since_error_days']) <= limit for f in dated), len(dated))} | "
            f"{share(sum(covered), len(covered))} | "
            f"{share(weeks.count('named'), len(weeks))} |"
        )
    return "\n".join(lines)


def false_by_condition(scores):
    """Where the false findings come from."""
    counts = {}
    for s in scores:
        for f in s.false:
            key = (f["condition"], f["subject_kind"])
            row = counts.setdefault(key, [0, 0, set()])
            row[0] += 1
            row[1] += f["replay"]
            row[2].add((s.seed, f["subject"]))
    lines = ["| condition | subject | false findings | of them in venues with replayed shapes "
             "| different subjects |", "| --- | --- | --- | --- | --- |"]
    for (condition, kind), (count, replay, subjects) in sorted(
            counts.items(), key=lambda item: -item[1][0]):
        lines.append(f"| {condition} | {kind} | {count} | {replay} | {len(subjects)} |")
    return "\n".join(lines)


def calibration(scores):
    """Scores against how often they were right."""
    rows = [(score, true) for s in scores for score, true, _, urgency in s.scores]
    lines = ["| score | findings | mean score | true |", "| --- | --- | --- | --- |"]
    edges = [0.0, 0.2, 0.5, 0.8, 0.9, 0.95, 0.99, 1.0001]
    for low, high in itertools.pairwise(edges):
        inside = [(x, t) for x, t in rows if low <= x < high]
        if inside:
            lines.append(
                f"| {low:g} to {min(high, 1):g} | {len(inside)} | "
                f"{np.mean([x for x, _ in inside]):.3f} | "
                f"{np.mean([t for _, t in inside]):.3f} |")
    return "\n".join(lines)


def repairs(scores):
    """What was said after a repair."""
    rows = [row for s in scores for row in s.after_repair]
    helped = [r for r in rows if r[1]]
    useless = [r for r in rows if not r[1]]
    return (
        f"After a repair that helped, the finding was still said in "
        f"{share(sum(r[3] for r in helped), sum(r[2] for r in helped))} of the weeks that "
        f"followed. After one that did not help, it was said again within three weeks in "
        f"{share(sum(r[4] for r in useless), len(useless))} of the cases."
    )


def intervals(scores):
    """How often the interval of each kind of figure held the truth."""
    kinds = {}
    for s in scores:
        for row in s.intervals:
            kinds.setdefault(row[0], []).append(row)
    lines = ["| figure | intervals | hold the truth | truth below | truth above |",
             "| --- | --- | --- | --- | --- |"]
    for what, rows in sorted(kinds.items()):
        below = sum(r[3] < r[2] for r in rows)
        above = sum(r[3] > r[4] for r in rows)
        lines.append(f"| {what} | {len(rows)} | {share(sum(r[1] for r in rows), len(rows))} | "
                     f"{share(below, len(rows))} | {share(above, len(rows))} |")
    return "\n".join(lines)


def groups(scores):
    """False findings in each kind of venue."""
    lines = ["| venues | how many | healthy lock-weeks | false findings | per 1,000 lock-weeks "
             "| with at least a `watch`, per 1,000 |", "| --- | --- | --- | --- | --- | --- |"]
    for name, mine in (
        ("all", scores), ("healthy", [s for s in scores if s.healthy]),
        ("with faults", [s for s in scores if not s.healthy]),
        ("noise model", [s for s in scores if not s.replay]),
        ("replayed shapes", [s for s in scores if s.replay]),
    ):
        weeks = sum(s.healthy_lock_weeks for s in mine)
        false = sum(len(s.false) for s in mine)
        watch = sum(s.watch_lock_weeks for s in mine)
        lines.append(f"| {name} | {len(mine)} | {weeks} | {false} | "
                     f"{1000 * false / max(weeks, 1):.2f} | {1000 * watch / max(weeks, 1):.1f} |")
    return "\n".join(lines)


def page(scores, command, held_out, level, commit=None):
    """The page for the documentation."""
    left_out = {}
    for s in scores:
        for f in s.faults:
            if f["why_not"]:
                left_out[f["why_not"]] = left_out.get(f["why_not"], 0) + 1
    reasons = ", ".join(f"{why}: {n}" for why, n in sorted(left_out.items())) or "none"
    kind = ("held out: no threshold was chosen on them" if held_out
            else "the ones thresholds are tuned on: these figures flatter")
    judged = f", of the analysis at commit {commit}" if commit else ""
    return f"""# The campaign's tables

Written by `{command}`{judged}. What the venues are, and what the figures mean: [How well the
findings hold up](campaign.md).

{len(scores)} simulated venues, half of them with known faults, are judged week by week, from the
ninth week on. Their seeds are {kind}. Level: {level}.

## Goals

{goals(scores)}

{sum(s.healthy_lock_weeks for s in scores)} healthy lock-weeks in {len(scores)} venues; a week's
analysis took {np.mean([s.seconds_per_week for s in scores]):.1f} s on a busy machine.

## Venues

{groups(scores)}

## Faults that were put in

`in time` counts a fault as named only when a finding of urgency `plan` or above carries its
very condition, by the end of the first full week (open coil, stuck or inverted contact,
failed self-cut, missing suppression, shorted turns, and what is read off a file) or within two
weeks of a 12 % change (the others). A negative delay: named before the change was as large as
that. `since` is judged at the first naming. Later weeks: every full week after the first naming
while the fault goes on, the three from a repair that did not help left out; its very condition
must stand in it with `plan` or above. Not counted: {reasons}.

{by_condition(scores)}

## False findings

{false_by_condition(scores)}

## Scores

How often a finding of any urgency with that score was true, over all weeks:

{calibration(scores)}

## Intervals

Of true findings, how often the 95 % interval held what the simulator knows to be true:

{intervals(scores)}

## Repairs

{repairs(scores)}
"""
