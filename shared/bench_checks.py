"""The one check at the bench that would confirm or refute each condition.

Common practice, no source, unless said otherwise. None of them replaces the
release test: that a lock lets go is proven by cutting its power and pulling,
never by a log.
"""

from __future__ import annotations

_ISOLATE = "Isolate the supply first. "

BENCH_CHECKS: dict[str, str] = {
    "sticking-catch": (
        _ISOLATE + "Cycle the catch by hand: it must fall back freely, cold and after rest. Then "
        "find the pull-in voltage; it should be no more than 80 % of rated. Clean, dry "
        "lubricant, and try again."
    ),
    "no-release": (
        "Command it and watch: does the coil click, does the catch move, does the "
        "feedback follow? Measure volts at its terminals while it is commanded."
    ),
    "slow-drop": (
        "Cut the power by hand and pull: it should come away at once with about 20 N or "
        "less. If it does not, look at the armature's spring plunger and plating, and "
        "measure the coil's volts when off (below 0.1 V)."
    ),
    "weakening-hold": (
        _ISOLATE + "Clean both faces, lay a straight edge on the armature plate, see that it rocks "
        "freely on its mounting. Then pull-test the bond, and measure the coil's "
        "resistance and the diode across it."
    ),
    "loaded-catch": (
        "Push and pull on the closed door or drawer (10 to 50 N) while commanding it. "
        "Look for 1 to 3 mm of free play at the keeper; shim it, or fit a push-off "
        "spring."
    ),
    "stuck-energised": (
        "Measure volts at the lock with its command off: there should be none. Pull the "
        "relay or the driver's output; if the volts go, replace it."
    ),
    "hot-coil": (
        _ISOLATE + "Do not touch the coil: it can burn. Compare its resistance with the cold value "
        "(+39 % at 120 degrees Celsius), look for darkened insulation, and find what "
        "holds it on."
    ),
    "opened-unpowered": (
        "Look at catch and keeper for marks of forcing, shake the closed door, and ask "
        "who opened it by hand and when."
    ),
    "over-long-energising": (
        "Find what keeps the command on: a held button, a stuck input, the show "
        "program. Limit the pulse in the controller."
    ),
    "short-pulse": (
        "Read the pulse length set in the show program and compare it with this lock's "
        "latency on its page. A weak latch is not helped by a longer pulse beyond its "
        "rating."
    ),
    "contact-chatter": (
        "Work the switch slowly by hand with a meter on it: one clean change each way? "
        "Look at its lever, screws and plug; replace the switch."
    ),
    "contact-stuck": (
        "Work the feedback switch by hand with a meter on it. If it changes, follow its "
        "lead to the input."
    ),
    "contact-inverted": (
        "Close the lock and read the feedback's state, open it and read again; compare "
        "with contact_closed_when in the venue file."
    ),
    "coil-open": (
        _ISOLATE + "Measure the coil's resistance at the lock while bending the wire and the plug; "
        "then the driver's fuse and output."
    ),
    "coil-current-high": (
        _ISOLATE + "Measure the cold coil's resistance against a sibling's: 5 % or more below it "
        "points at shorted turns. Replace the coil."
    ),
    "self-cut-failed": (
        "Open the lock by command and measure its current once it is open: it must be "
        "zero. Set or replace the switch that cuts it."
    ),
    "missing-suppression": (
        _ISOLATE + "Test the diode at the coil with a meter's diode range, both ways round. Fit "
        "one of 1 A, 100 V or more at the coil itself, polarity checked twice; then "
        "time the release anew."
    ),
    "crossed-channels": (
        "Command each lock of the pair alone and watch which one moves and which "
        "feedback changes; then swap the wires or the channels in the venue file."
    ),
    "release-test-due": (
        "Cut the power by hand, see the lock let go and the door open without key, "
        "knowledge or effort; write it down with "
        "`remanence service VENUE LOCK release-tested`."
    ),
    "not-reclosed": (
        "Close it at the next reset and watch whether it catches. If it does, the reset "
        "checklist needs a line; if not, look at keeper and catch spring."
    ),
    "low-supply": (
        "Measure the rail at the supply and at the farthest lock, idle and loaded; "
        "adjust the output to rated volts or find what pulls it down."
    ),
    "supply-sag": (
        "Measure the drop along the feed while a lock is on: more than 0.1 V across one "
        "joint is suspicious, more than 0.3 V bad. If the joints are good, load-test "
        "the supply."
    ),
    "battery-decline": (
        "Measure the battery loaded, at the end of a day; charge or replace it before "
        "it reaches the volts at which the locks stall."
    ),
    "clock-fault": (
        "Compare the controller's clock with a good one now and in an hour; look at its "
        "time source, battery and supply."
    ),
    "log-gap": (
        "See whether controller and logger were powered and connected at the time; look "
        "for restarts, full disks, loose network plugs."
    ),
    "unsafe-fitting": (
        "Do not run people behind it until it is put right: a way out must open by hand "
        "without key, knowledge or power. Have it judged by a competent person under "
        "the local codes."
    ),
}
