"""By e-mail: one plain message with the calendar beside it, over SMTP (RFC 5321)."""

from __future__ import annotations

import smtplib
import ssl
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from pathlib import Path

from remanence.pipelines.sheets.report_sheet import made_at
from remanence.pipelines.tell.message import Message
from remanence.pipelines.tell.sending import TIMEOUT_S, NotSentError, UnknownError, read_secret
from remanence.shared.tell_target import TellTarget

_PERMANENT = range(500, 600)
"""Replies that a further try will not change (RFC 5321, 4.2.1)."""


def mail_of(target: TellTarget, message: Message, calendar: bytes | None) -> EmailMessage:
    """A message as a mail; its Message-ID is the same at every try."""
    made = EmailMessage()
    made["From"], made["To"] = target.sender, ", ".join(target.to)
    made["Subject"] = message.subject
    made["Date"] = format_datetime(made_at())
    domain = str(target.sender).rpartition("@")[2]
    made["Message-ID"] = f"<{message.data['venue']}.{target.id}.{message.identity}@{domain}>"
    made["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's machine answers it
    made.set_content(message.text)
    if calendar is not None:
        made.add_attachment(calendar, maintype="text", subtype="calendar", filename="remanence.ics")
    return made


def send_mail(
    target: TellTarget, folder: Path, message: Message, calendar: bytes | None = None
) -> None:
    """Send a message to all addresses of a target, or to none.

    Raises
    ------
    NotSentError
        It surely did not go out.
    UnknownError
        The server had all of it, and did not answer.
    RemanenceError
        The password cannot be read.
    """
    host, port = target.host_port
    secret = read_secret(folder, target.password_file, "password") if (
        target.password_file) else ""
    data = mail_of(target, message, calendar).as_bytes(policy=SMTP)
    context = ssl.create_default_context()
    try:
        if target.security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(host, port, timeout=TIMEOUT_S, context=context)
        else:
            server = smtplib.SMTP(host, port, timeout=TIMEOUT_S)
    except (OSError, smtplib.SMTPException) as error:
        raise NotSentError(f"no mail server answers at {host}:{port} ({_why(error)})") from None
    try:
        _hand_over(server, target, context, secret, data)
    finally:
        server.close()


def _hand_over(
    server: smtplib.SMTP, target: TellTarget, context: ssl.SSLContext, secret: str, data: bytes
) -> None:
    try:
        server.ehlo_or_helo_if_needed()
        if target.security == "starttls":
            server.starttls(context=context)
            server.ehlo()
        if target.username:
            server.login(target.username, secret)
        _agreed(server.mail(str(target.sender)), "sender")
        for address in target.to:
            _agreed(server.rcpt(address), address)
    except smtplib.SMTPAuthenticationError as error:
        raise NotSentError(f"the mail server refuses user {target.username} ({error.smtp_code})",
                           again=False) from None
    except smtplib.SMTPNotSupportedError as error:
        raise NotSentError(f"the mail server cannot do that: {error}", again=False) from None
    except (OSError, smtplib.SMTPException) as error:
        raise NotSentError(f"the mail server broke off ({_why(error)})") from None
    try:
        code, said = server.data(data)
    except smtplib.SMTPDataError as error:
        raise NotSentError(f"the mail server refuses the message ({error.smtp_code})",
                           again=error.smtp_code not in _PERMANENT) from None
    except (OSError, smtplib.SMTPException) as error:
        raise UnknownError(f"the mail server had the message and broke off ({_why(error)})"
                           ) from None
    if code != 250:
        raise NotSentError(f"the mail server refuses the message ({code} {_text(said)})",
                           again=code not in _PERMANENT)


def _agreed(reply: tuple[int, bytes], what: str) -> None:
    code, said = reply
    if code not in (250, 251):
        raise NotSentError(f"the mail server refuses {what} ({code} {_text(said)}); nothing was "
                           "sent to anybody", again=code not in _PERMANENT)


def _text(said: bytes) -> str:
    return said.decode("utf-8", "replace")[:120]


def _why(error: Exception) -> str:
    return type(error).__name__ if not isinstance(error, OSError) else (
        error.strerror or type(error).__name__)
