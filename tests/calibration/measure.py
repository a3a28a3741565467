"""Fit the weights of a score, and judge scores by episode."""

import numpy as np
from scipy import stats

RIDGE = 1.0
"""Variance of what single conditions add, before any data (assumption)."""
BINS = 5
LEAST_ADDED = 0.05
"""A condition that adds less is left out of the table."""


def by_episode(rows):
    """The rows with weights that count each episode once."""
    count = {}
    for row in rows:
        count[row.episode] = count.get(row.episode, 0) + 1
    return np.array([1.0 / count[row.episode] for row in rows])


def fit(rows):
    """Intercept, weight of the votes, and what each condition adds.

    Logistic regression with a ridge on what the conditions add, of a right name among all that
    is told; a score is the judge's own probability times the regression's.
    """
    from scipy import optimize

    names = sorted({row.condition for row in rows})
    voted = np.array([row.voted for row in rows])
    own = np.array([[float(row.condition == name) for name in names] for row in rows])
    known, weight = np.array([row.judged for row in rows]), by_episode(rows)
    right = np.array([row.right for row in rows])

    def loss(x):
        odds = x[0] + x[1] * voted + own @ x[2:]
        score = np.clip(known / (1.0 + np.exp(-odds)), 1e-6, 1 - 1e-6)
        like = np.where(right, np.log(score), np.log1p(-score))
        return -float((weight * like).sum()) + float((x[2:] ** 2).sum()) / (2 * RIDGE)

    found = optimize.minimize(loss, np.zeros(2 + len(names)), method="L-BFGS-B").x
    return {"intercept": float(found[0]), "vote": float(found[1]),
            "each": dict(zip(names, map(float, found[2:]), strict=True))}


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
    head, _, rest = text.partition("INTERCEPT, VOTE_WEIGHT")
    doc = rest[rest.index('"""'):rest.index("FITTED_ON")]
    tail = rest[rest.index('"""', rest.index("OF_CONDITION")):]
    each = "".join(f'    "{name}": {value:.2f},\n' for name, value in fitted["each"].items()
                   if abs(value) >= LEAST_ADDED)
    return (f"{head}INTERCEPT, VOTE_WEIGHT = {fitted['intercept']:.2f}, {fitted['vote']:.2f}\n"
            f"{doc}FITTED_ON = \"{seeds}\"\n\"\"\"The seeds.\"\"\"\n\n"
            f"OF_CONDITION: Mapping[str, float] = {{\n{each}}}\n{tail}")
