"""``remanence record``: every source of the venue file, until told to stop."""

from __future__ import annotations

import os
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import IO

from remanence.pipelines.record.capture import Capture, Hearing, Listener
from remanence.pipelines.record.status import status_line
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.disk import make_folder
from remanence.pipelines.store.writer_lock import try_lock
from remanence.shared.errors import RemanenceError
from remanence.shared.live_source import RECORDED, LiveSource
from remanence.shared.venue import Venue

BEAT_S = 5.0
"""The supervisor hears so often that all writers go round."""

_PACKAGES = {"mqtt": "paho-mqtt", "serial": "pyserial", "file": "watchfiles"}


def record(given: str | Path) -> str:
    """Record every source of a venue until SIGTERM or SIGINT.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.

    Returns
    -------
    str
        What to print at the end.

    Raises
    ------
    RemanenceError
        The venue file is at fault or has no source, a package or a password is missing, another
        recorder runs, or what had arrived could not be written at the end.
    """
    venue, path = load_venue(given)
    sources = _sources(venue, path)
    stop = threading.Event()
    with ExitStack() as stack:
        stack.enter_context(_alone(path.parent))
        stack.enter_context(_signals(stop))
        captures = [Capture(source, path.parent, _listen(source, venue)) for source in sources]
        for capture in captures:
            capture.start()
        tell_supervisor("READY=1")
        ended: list[str] = []
        while not stop.wait(BEAT_S) and not ended:
            ended = [capture.source.id for capture in captures if not capture.runs]
            if all(capture.status.goes_round() for capture in captures):
                tell_supervisor("WATCHDOG=1")
        tell_supervisor("STOPPING=1")
        for capture in captures:
            capture.hearing.stopping.set()
        for capture in captures:
            capture.stop()
    if ended:
        raise RemanenceError(f"{', '.join(ended)}: recording ended by a fault of the program, told "
                             "above; nothing unwritten was acknowledged. Start it again")
    lost = [capture.source.id for capture in captures if capture.given_up]
    if lost:
        raise RemanenceError(
            f"{', '.join(lost)}: what had arrived last could not be written and was not "
            "acknowledged; make room on the disk, then start again")
    return "\n".join(f"{capture.source.id}: {capture.status.messages:,} messages, "
                     f"{capture.status.repeats:,} repeats; all on the disk" for capture in captures)


def status_report(given: str | Path) -> tuple[str, bool]:
    """A line of health for each source, and whether all are well.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.

    Raises
    ------
    RemanenceError
        The venue file is at fault or has no source.
    """
    venue, path = load_venue(given)
    now = datetime.now(UTC)
    lines = [status_line(source.id, source.folder(path.parent), now)
             for source in _sources(venue, path)]
    return "\n".join(line for line, _ in lines), all(well for _, well in lines)


def _sources(venue: Venue, path: Path) -> tuple[LiveSource, ...]:
    if not venue.sources:
        raise RemanenceError(f"{path}: found no [[source]] block; add one for the broker, port or "
                             "file that records arrive by")
    return venue.sources


def _listen(
    source: LiveSource, venue: Venue
) -> Callable[[LiveSource, Path, Hearing], Listener]:
    """The listener of a source's kind; imports the package that it needs."""
    try:
        if source.kind == "mqtt":
            from remanence.pipelines.record.mqtt import MqttListener

            return partial(MqttListener, venue_id=venue.id)
        if source.kind == "serial":
            from remanence.pipelines.record.serial_port import SerialListener

            return SerialListener
        if source.kind == "file":
            from remanence.pipelines.record.growing_file import FileListener

            return FileListener
    except ModuleNotFoundError as error:
        raise RemanenceError(
            f'source "{source.id}": a source of kind {source.kind} needs the package '
            f"{_PACKAGES[source.kind]} ({error.name} is missing); install it, or all of "
            'them with pip install "remanence-locks[live]"') from None
    from remanence.pipelines.record.syslog import SyslogListener

    return SyslogListener


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Hold the lock that keeps a second recorder of the same venue away."""
    place = folder / RECORDED
    make_folder(place)
    file: IO[bytes]
    with (place / ".lock").open("a+b") as file:
        if not try_lock(file.fileno()):
            raise RemanenceError(f"{place}: another remanence record is running for this venue; "
                                 "stop it first")
        yield


@contextmanager
def _signals(stop: threading.Event) -> Iterator[None]:
    """SIGTERM and SIGINT set ``stop``; what they did before comes back at the end."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, lambda *_: stop.set())
              for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def tell_supervisor(text: str) -> None:
    """Tell systemd how it stands, where it asks to be told (``Type=notify``)."""
    place = os.environ.get("NOTIFY_SOCKET")
    if not place or not hasattr(socket, "AF_UNIX"):
        return
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
            sender.sendto(text.encode(), "\0" + place[1:] if place.startswith("@") else place)
    except OSError:
        return  # nobody is there to be told
