"""By webhook: the message as JSON, posted once."""

from __future__ import annotations

from pathlib import Path

import urllib3

from remanence.pipelines.tell.message import Message
from remanence.pipelines.tell.sending import TIMEOUT_S, NotSentError, UnknownError, read_secret
from remanence.shared.tell_target import TellTarget

_AGAIN = {408, 425, 429, 500, 502, 503, 504}
"""Answers after which a further try may do better (RFC 9110, 15; RFC 6585, 4)."""


def post(
    target: TellTarget, folder: Path, message: Message, calendar: bytes | None = None
) -> None:
    """Post a message; a redirect is not followed, it could lead to another's server.

    Raises
    ------
    NotSentError
        It surely was not taken.
    UnknownError
        It was handed over, and no answer came.
    RemanenceError
        The URL or the token cannot be read.
    """
    url = target.address or read_secret(folder, str(target.address_file), "URL")
    headers = {"Idempotency-Key": message.identity, "User-Agent": "remanence"}
    if target.token_file:
        headers["Authorization"] = f"Bearer {read_secret(folder, target.token_file, 'token')}"
    body = {"subject": message.subject, "text": message.text, **message.data}
    with urllib3.PoolManager(retries=False, timeout=urllib3.Timeout(TIMEOUT_S)) as pool:
        try:
            answer = pool.request("POST", url, json=body, headers=headers, redirect=False)
        except (urllib3.exceptions.NewConnectionError, urllib3.exceptions.ConnectTimeoutError,
                urllib3.exceptions.SSLError, urllib3.exceptions.LocationValueError) as error:
            # (The error's own text holds the URL, which may be a secret.)
            raise NotSentError(f"no server answers ({type(error).__name__})") from None
        except urllib3.exceptions.HTTPError as error:
            raise UnknownError(f"the server had the message and broke off "
                               f"({type(error).__name__})") from None
    if not 200 <= answer.status < 300:
        raise NotSentError(f"the server answers {answer.status}", again=answer.status in _AGAIN)
