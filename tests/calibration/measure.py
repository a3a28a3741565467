"""Fit the weights of a score, and judge scores by episode."""

import re

import numpy as np
from scipy import stats

RIDGE = 4.0
"""Variance of what single conditions add, before any data: of 1, 2 and 4 the likeliest of held-out
episodes of the seeds for fitting."""
BINS = 5
MISLEADS = 1.0, 19.0
"""Beta prior of the share of times in which a column misleads: once in twenty, known as from twenty
episodes; chosen as :data:`RIDGE` was."""
MOST_MISLEADING = 0.4
"""A column that misleads more often says next to nothing; at a half it would turn about."""
ROUNDS = 200
RIVAL = -4.0, 1.5
"""Normal prior of the log odds of a story that its own judge did not find (assumption)."""


def by_episode(rows):
    """The rows with weights that count each episode once."""
    count = {}
    for row in rows:
        count[row.episode] = count.get(row.episode, 0) + 1
    return np.array([1.0 / count[row.episode] for row in rows])


def misleading(rows):
    """Share of times in which each column misleads, by expectation and maximisation.

    A column of a right name misleads where it shows what something else would have it show, and
    the other way about; the names are known, so only that is not. The prior is a beta one.
    """
    told = [(row, weight) for row, weight in zip(rows, by_episode(rows), strict=True) if row.said]
    found = {}
    for column in sorted({name for row, _ in told for name in row.said}):
        says = np.array([row.said[column] * (1 if row.right else -1)
                         for row, _ in told if column in row.said])
        weight = np.array([weight for row, weight in told if column in row.said])
        share = MISLEADS[0] / sum(MISLEADS)
        for _ in range(ROUNDS):
            misled = share / (share + (1 - share) * np.exp(np.clip(says, -50, 50)))
            share = (MISLEADS[0] + (weight * misled).sum()) / (sum(MISLEADS) + weight.sum())
        found[column] = min(float(share), MOST_MISLEADING)
    return found


def fitted_to(row, shares):
    """What all columns say for a name, and for each of its rivals."""
    from remanence.analytics.conditions.calibration import MISLEADS_USUALLY
    from remanence.analytics.conditions.cause import bounded

    def total(said):
        return sum(bounded(value, shares.get(name, MISLEADS_USUALLY))
                   for name, value in said.items())

    return total(row.said), np.array([total(one) for one in row.rivals])


def fit(rows):
    """How often columns mislead, and the numbers of the regression.

    A score is the judge's own probability times the share of the name among all causes, of locks
    by what their columns say. Penalised maximum likelihood, a ridge on what the conditions add.
    """
    from scipy import optimize, special

    from remanence.analytics.conditions.condition import catalogue

    rows = [row for row in rows if not catalogue()[row.condition].weighs_its_name]
    names = sorted({row.condition for row in rows})
    shares = misleading(rows)
    fits, others = zip(*(fitted_to(row, shares) for row in rows), strict=True)
    fits, width = np.array(fits), max(1, max(len(one) for one in others))
    against = np.full((len(rows), width), -np.inf)
    for number, one in enumerate(others):
        against[number, :len(one)] = one
    own = np.array([[float(row.condition == name) for name in names] for row in rows])
    known, weight = np.array([row.judged for row in rows]), by_episode(rows)
    right, lock = (np.array([value(row) for row in rows]) for value in (
        lambda row: row.right, lambda row: row.kind == "lock"))

    def scores(x):
        rest = special.logsumexp(
            np.column_stack([np.zeros(len(rows)), x[2] + x[1] * against]), axis=1)
        of_lock = x[0] + x[1] * fits - rest
        return known * special.expit(np.where(lock, of_lock, x[3]) + own @ x[4:])

    def loss(x):
        score = np.clip(scores(x), 1e-6, 1 - 1e-6)
        like = np.where(right, np.log(score), np.log1p(-score))
        return -float((weight * like).sum()) + float((x[4:] ** 2).sum()) / (2 * RIDGE) + (
            (x[2] - RIVAL[0]) ** 2 / (2 * RIVAL[1] ** 2))

    start = np.concatenate([[0.5, 0.7, RIVAL[0], 1.5], np.zeros(len(names))])
    limits = [(None, None), (0.0, 1.0), (None, None), (None, None), *[(None, None)] * len(names)]
    found = optimize.minimize(loss, start, method="L-BFGS-B", bounds=limits).x
    return {"intercept": float(found[0]), "vote": float(found[1]), "rival": float(found[2]),
            "other": float(found[3]),
            "misleads": shares, "each": dict(zip(names, map(float, found[4:]), strict=True)),
            "scores": scores(found)}


def auc(score, right, weight):
    """Chance that a right name has the higher score, ties counted half."""
    good, bad = score[right], score[~right]
    if not good.size or not bad.size:
        return float("nan")
    heavier = (good[:, None] > bad[None, :]) + 0.5 * (good[:, None] == bad[None, :])
    pairs = weight[right][:, None] * weight[~right][None, :]
    return float((heavier * pairs).sum() / pairs.sum())


def judged(rows, score=None):
    """Brier scores, the AUC and five bins of as many episodes each."""
    score = np.array([row.score for row in rows] if score is None else score)
    right, weight = np.array([row.right for row in rows]), by_episode(rows)
    total = weight.sum()
    constant = float((weight * right).sum() / total)
    order = np.argsort(score, kind="stable")
    cut = np.minimum((np.cumsum(weight[order]) / total * BINS).astype(int), BINS - 1)
    bins = []
    for number in range(BINS):
        inside = order[cut == number]
        if not inside.size:
            continue
        mine = weight[inside]
        count = float(mine.sum())
        hits = float((mine * right[inside]).sum())
        low = stats.beta.ppf(0.025, hits, count - hits + 1) if hits else 0.0
        high = stats.beta.ppf(0.975, hits + 1, count - hits) if hits < count else 1.0
        bins.append((count, float((mine * score[inside]).sum() / count), hits / count,
                     float(low), float(high)))
    return {
        "episodes": float(total), "right": constant,
        "brier": float((weight * (score - right) ** 2).sum() / total),
        "brier of a constant": constant * (1 - constant),
        "auc": auc(score, right, weight), "bins": bins,
    }


def lines(found):
    """The same in lines of text."""
    yield (f"{found['episodes']:.0f} episodes, {100 * found['right']:.1f} % rightly named; Brier "
           f"{found['brier']:.4f}, of a constant {found['brier of a constant']:.4f}; AUC "
           f"{found['auc']:.3f}")
    for count, mean, share, low, high in found["bins"]:
        yield (f"  {count:6.1f} episodes: mean score {mean:.3f}, right {share:.3f} "
               f"({low:.2f} to {high:.2f})")


def written(text, fitted, seeds):
    """The module of the numbers with those that were fitted."""
    def table(values):
        return "".join(f'    "{name}": {value:.2f},\n' for name, value in values.items())

    for name, value in (
        ("INTERCEPT, VOTE_WEIGHT, RIVAL",
         ", ".join(f"{fitted[part]:.2f}" for part in ("intercept", "vote", "rival"))),
        ("OTHER_INTERCEPT", f"{fitted['other']:.2f}"), ("FITTED_ON", f'"{seeds}"')):
        text = re.sub(rf"^{name} = .*$", f"{name} = {value}", text, flags=re.MULTILINE)
    for name, part in (("MISLEADS", "misleads"), ("OF_CONDITION", "each")):
        text = re.sub(rf"^({name}: [^=]*= )\{{\n[^}}]*\}}",
                      lambda found, part=part: f"{found[1]}{{\n{table(fitted[part])}}}",
                      text, flags=re.MULTILINE)
    return text
