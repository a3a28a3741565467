"""Lines of the log are lost: nothing is said of locks, and of the controller where it matters."""

from tests.analytics.situations import log_changes
from tests.analytics.situations.small_venue import sound
from tests.analytics.situations.told import Judged, both, situation

WEEKS = (8, 9, 11)


def _lost(name, share, *, burst=None, since=None, matters=False):
    @situation(name=name)
    def played(seed):
        log = sound(seed, weeks=12)
        begin = 56 + seed % 5 if since is None else since
        if burst:
            log_changes.lost_in_bursts(log, share, burst, begin, "plc0")
        else:
            log_changes.lost_at_random(log, share, begin, "plc0")
        judged = Judged.of(log, WEEKS)
        quiet = judged.quiet(kinds=("lock", "supply"))
        others = judged.quiet(kinds=("controller",), besides=[("plc0", None)])
        if matters:
            return both(quiet, others, judged.says("plc0", "log-gap", "lost-lines"))
        return both(quiet, others)


_lost("lost_0.1_percent", 0.001)
_lost("lost_0.5_percent", 0.005)
_lost("lost_1_percent", 0.01, matters=True)
_lost("lost_2_percent", 0.02, matters=True)
_lost("lost_2_percent_always", 0.02, since=0, matters=True)
_lost("lost_0.5_percent_in_bursts_of_30", 0.005, burst=30)
_lost("lost_1_percent_in_bursts_of_200", 0.01, burst=200, matters=True)
_lost("lost_2_percent_in_bursts_of_800", 0.02, burst=800, matters=True)
