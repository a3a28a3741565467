"""``remanence tell``: whoever the venue file names is told of the newest report, once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from time import sleep as wait

from tenacity import (
    RetryError,
    Retrying,
    retry_if_exception,
    stop_after_attempt,
    wait_exponential,
)

from remanence.dashboards.page import language
from remanence.pipelines.sheets.past_reports import Report, reports
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.service_log import read_service
from remanence.pipelines.tell.calendar import calendar_of, order_days, release_test_days
from remanence.pipelines.tell.message import Message, message_of
from remanence.pipelines.tell.sending import NotSentError, UnknownError
from remanence.pipelines.tell.sent import FAILED, GOING, SENT, UNKNOWN, open_sent
from remanence.shared.errors import RemanenceError
from remanence.shared.tell_target import TellTarget
from remanence.shared.venue import Venue

TRIES = 4
"""1, 2 and 4 seconds apart; what does not go out then, goes out with the next run."""

Sender = Callable[[TellTarget, Path, Message, bytes | None], None]


@dataclass(frozen=True)
class TellOutcome:
    """What was told, in words, and what could not be."""

    lines: tuple[str, ...]
    faults: tuple[str, ...] = ()

    def text(self) -> str:
        """What to print."""
        return "\n".join(self.lines)


def tell(
    given: str | Path, *, dry_run: bool = False, today: date | None = None,
    sleep: Callable[[float], None] = wait,
) -> TellOutcome:
    """Tell every target of the venue file what it does not know of the newest report.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    dry_run : bool, default False
        Only say what would be sent; no file is written.
    today : date, optional
        In the venue's calendar; default: today.
    sleep : callable
        Waits between tries. [s]

    Returns
    -------
    TellOutcome

    Raises
    ------
    RemanenceError
        The venue file is at fault, or names nobody to tell.
    """
    venue, path = load_venue(given)
    if not venue.tells:
        raise RemanenceError(f"{path}: found no [[tell]] block; add one for the mail server, "
                             "webhook or broker by which somebody is told")
    found = reports(path.parent)
    if not found:
        raise RemanenceError(f"{path.parent / 'reports'}: found no report yet; write one with: "
                             f"remanence weekly {path}")
    today = today or datetime.now(venue.zone).date()
    lines, faults = [], []
    for target in venue.tells:
        try:
            lines += _tell_one(venue, path, target, found[0], today, sleep, dry_run=dry_run)
        except RemanenceError as error:
            faults.append(f"tell {target.id}: {error}")
    return TellOutcome(tuple(lines), tuple(faults))


def _tell_one(
    venue: Venue, path: Path, target: TellTarget, report: Report, today: date,
    sleep: Callable[[float], None], *, dry_run: bool,
) -> list[str]:
    """Tell one target; what to print."""
    store = (path.parent / venue.store_folder).resolve()
    if dry_run and not (store.parent / "told").exists():
        message = _message(venue, path, target, report, today, frozenset())
        return _shown(target, message)
    with open_sent(store, target.id) as sent:
        message = _message(venue, path, target, report, today, sent.told)
        open_ = [f"tell {target.id}: whether {key} went out is not known; it is not sent again"
                 for key in sent.unknown]
        if dry_run:
            return [*open_, *_shown(target, message)]
        if message is None:
            return [*open_, f"tell {target.id}: nothing new"]
        calendar = calendar_of(venue, path, today=today) if target.kind == "mail" else None
        sent.note(message.keys, GOING)
        try:
            _send(target, path.parent, message, calendar, sleep)
        except NotSentError as error:
            sent.note(message.keys, FAILED, str(error))
            raise RemanenceError(f"{error}; nothing was sent, the next run tries again") from None
        except UnknownError as error:
            sent.note(message.keys, UNKNOWN, str(error))
            raise RemanenceError(f"{error}; it may have gone out, so it is not sent again"
                                 ) from None
        except RemanenceError as error:
            sent.note(message.keys, FAILED, str(error))
            raise
        sent.note(message.keys, SENT)
    return [*open_, f"tell {target.id}: sent {message.subject!r}"]


def _message(
    venue: Venue, path: Path, target: TellTarget, report: Report, today: date,
    already: frozenset[str],
) -> Message | None:
    entries = read_service(venue, path).entries
    due = [(lock, day) for lock, day in release_test_days(venue, entries, today)
           if (day - today).days <= 7]
    return message_of(venue, target, report, language(target.language), already, due=due,
                      orders=order_days(path.parent))


def _shown(target: TellTarget, message: Message | None) -> list[str]:
    if message is None:
        return [f"tell {target.id}: nothing new"]
    to = ", ".join(target.to) or target.topic or "the webhook"
    return [f"tell {target.id} ({target.kind}, to {to}) would send:", f"  {message.subject}",
            *(f"  {line}".rstrip() for line in message.text.splitlines())]


def _send(
    target: TellTarget, folder: Path, message: Message, calendar: bytes | None,
    sleep: Callable[[float], None],
) -> None:
    """Hand a message over; what surely did not go out is tried again with growing pauses."""
    send = _sender(target.kind)
    tries = Retrying(
        stop=stop_after_attempt(TRIES), wait=wait_exponential(multiplier=1, max=30),
        retry=retry_if_exception(lambda error: isinstance(error, NotSentError) and error.again),
        sleep=sleep, reraise=True)
    try:
        tries(send, target, folder, message, calendar)
    except RetryError as error:  # reraise=True gives the cause itself
        raise NotSentError(str(error)) from None


def _sender(kind: str) -> Sender:
    """What sends by a way; imports the package that it needs."""
    try:
        if kind == "mail":
            from remanence.pipelines.tell.mail import send_mail

            return send_mail
        if kind == "webhook":
            from remanence.pipelines.tell.webhook import post

            return post
        from remanence.pipelines.tell.mqtt import publish

        return publish
    except ModuleNotFoundError as error:
        raise RemanenceError(f"it needs the package {error.name}, which is missing; install "
                             'all with pip install "remanence-locks[tell]"') from None
