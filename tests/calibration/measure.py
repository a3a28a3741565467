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
episodes."""
MOST_MISLEADING = 0.4
"""A column that misleads more often says next to nothing; at a half it would turn about."""
RIVAL = -4.0, 1.5
"""Normal prior of the log odds of a story that its own judge did not find (assumption)."""


def by_episode(rows):
    """The rows with weights that count each episode once."""
    count = {}
    for row in rows:
        count[row.episode] = count.get(row.episode, 0) + 1
    return np.array([1.0 / count[row.episode] for row in rows])


def _said(every, names):
    """What columns say, on their last axis; 0 of those that say nothing."""
    out = np.zeros((len(every), len(names)))
    for number, said in enumerate(every):
        for place, name in enumerate(names):
            out[number, place] = said.get(name, 0.0)
    return np.clip(out, -50, 50)


def _bounded(said, share):
    """As ``cause.bounded``, with what it grows by where a column misleads more often."""
    ratio = np.exp(said)
    right, wrong = (1 - share) * ratio + share, (1 - share) + share * ratio
    return np.log(right / wrong), (1 - ratio) * (1 / right + 1 / wrong)


def fit(rows):
    """How often columns mislead, and what is added for conditions: all of it together.

    A score is the judge's own probability times the share of the name among all causes, of locks
    by what their columns say. Penalised maximum likelihood of the names: a beta prior on how often
    a column misleads, a ridge on what the conditions add. Columns are not independent, and which
    of them repeat each other only the names tell, so that shares are not estimated by themselves.
    """
    from scipy import optimize, special

    from remanence.analytics.conditions.condition import catalogue

    rows = [row for row in rows if not catalogue()[row.condition].weighs_its_name]
    names = sorted({row.condition for row in rows})
    columns = sorted({name for row in rows for name in row.said})
    width = max(1, max(len(row.rivals) for row in rows))
    said = _said([row.said for row in rows], columns)
    against = np.stack([
        _said([row.rivals[number] if number < len(row.rivals) else {} for row in rows], columns)
        for number in range(width)], axis=1)
    there = np.array([[number < len(row.rivals) for number in range(width)] for row in rows])
    own = np.array([[float(row.condition == name) for name in names] for row in rows])
    known, weight = np.array([row.judged for row in rows]), by_episode(rows)
    right, lock = (np.array([value(row) for row in rows]) for value in (
        lambda row: row.right, lambda row: row.kind == "lock"))
    kinds = len(names)

    def parts(x):
        share = MOST_MISLEADING * special.expit(x[3 + kinds:])
        for_it, by_share = _bounded(said, share)
        rest, rest_by_share = _bounded(against, share)
        rival = np.where(there, x[1] + rest.sum(axis=2), -np.inf)
        every = np.logaddexp(0.0, special.logsumexp(rival, axis=1))
        of_lock = x[0] + for_it.sum(axis=1) - every
        odds = np.where(lock, of_lock, x[2]) + own @ x[3:3 + kinds]
        taken = np.exp(rival - every[:, None])
        moved = by_share - (taken[:, :, None] * rest_by_share).sum(axis=1)
        return share, odds, taken.sum(axis=1), moved

    def loss(x):
        share, odds, taken, moved = parts(x)
        chance = special.expit(odds)
        score = np.clip(known * chance, 1e-6, 1 - 1e-6)
        like = np.where(right, np.log(score), np.log1p(-score))
        by_odds = weight * np.where(right, 1 / score, -1 / (1 - score)) * known * (
            chance * (1 - chance))
        grows = share * (1 - share / MOST_MISLEADING)
        prior = MISLEADS[0] * np.log(share) + MISLEADS[1] * np.log1p(-share)
        by_prior = MISLEADS[0] / share - MISLEADS[1] / (1 - share)
        value = -float((weight * like).sum() + prior.sum()) + float(
            (x[3:3 + kinds] ** 2).sum()) / (2 * RIDGE) + (x[1] - RIVAL[0]) ** 2 / (
                2 * RIVAL[1] ** 2)
        mine = by_odds * lock
        return value, np.concatenate([
            [-mine.sum(), (mine * taken).sum() + (x[1] - RIVAL[0]) / RIVAL[1] ** 2,
             -(by_odds * ~lock).sum()],
            -(own.T @ by_odds) + x[3:3 + kinds] / RIDGE,
            -((mine @ moved) + by_prior) * grows])

    usual = special.logit(MISLEADS[0] / sum(MISLEADS) / MOST_MISLEADING)
    start = np.concatenate([
        [0.5, RIVAL[0], 1.5], np.zeros(kinds), np.full(len(columns), usual)])
    found = optimize.minimize(loss, start, jac=True, method="L-BFGS-B").x
    share, odds, _, _ = parts(found)
    return {"intercept": float(found[0]), "rival": float(found[1]), "other": float(found[2]),
            "misleads": dict(zip(columns, map(float, share), strict=True)),
            "each": dict(zip(names, map(float, found[3:3 + kinds]), strict=True)),
            "scores": known * special.expit(odds)}


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
        ("INTERCEPT, RIVAL",
         ", ".join(f"{fitted[part]:.2f}" for part in ("intercept", "rival"))),
        ("OTHER_INTERCEPT", f"{fitted['other']:.2f}"), ("FITTED_ON", f'"{seeds}"')):
        text = re.sub(rf"^{name} = .*$", f"{name} = {value}", text, flags=re.MULTILINE)
    for name, part in (("MISLEADS", "misleads"), ("OF_CONDITION", "each")):
        text = re.sub(rf"^({name}: [^=]*= )\{{\n[^}}]*\}}",
                      lambda found, part=part: f"{found[1]}{{\n{table(fitted[part])}}}",
                      text, flags=re.MULTILINE)
    return text
