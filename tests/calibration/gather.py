"""Play and judge a venue once, and keep what its judges found."""

import pickle


def one(job):
    """Tables of one venue, its causes and each week's candidates, kept in a file.

    Parameters
    ----------
    job : (int, Path)
        The seed, and the folder.

    Returns
    -------
    Path
        The file: a pickled dict of ``seed``, ``venue``, ``start``, ``causes``, ``weeks`` (the
        judges' findings by week) and ``tables``.
    """
    seed, folder = job
    path = folder / f"{seed}.pickle"
    if path.exists():
        return path
    from remanence.analytics.conditions.coarse_clock import measurable
    from remanence.analytics.conditions.condition import judges
    from tests.calibration.episodes import WEEKS, play

    log, causes = play(seed)
    weeks = {
        number: list(measurable((item for judge in judges() for item in judge(history)), history))
        for number, history in log.histories(WEEKS)}
    part = path.with_suffix(".part")
    part.write_bytes(pickle.dumps(
        {"seed": seed, "venue": log.venue, "start": log.scenario.start, "causes": causes,
         "weeks": weeks, "tables": log.tables()}))
    part.rename(path)
    return path
