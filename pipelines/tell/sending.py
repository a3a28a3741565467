"""What every way of sending shares: how it can fail, and secrets that are never printed."""

from __future__ import annotations

from pathlib import Path

from remanence.shared.errors import RemanenceError

TIMEOUT_S = 30.0
"""A server that has not answered by then is not waited for."""


class NotSentError(Exception):
    """It surely did not go out.

    Attributes
    ----------
    again : bool
        Whether a further try may do better.
    """

    def __init__(self, why: str, *, again: bool = True) -> None:
        super().__init__(why)
        self.again = again


class UnknownError(Exception):
    """Whether it went out is not known: it was handed over, and no answer came."""


def read_secret(folder: Path, name: str, what: str) -> str:
    """A secret out of its file; no message ever holds it.

    Parameters
    ----------
    folder : Path
        The venue file's.
    name : str
        The file, relative to it.
    what : str
        What it is called.

    Returns
    -------
    str

    Raises
    ------
    RemanenceError
        The file is missing, empty or no text.
    """
    path = folder / name
    try:
        found = path.read_text(encoding="utf-8").strip()
    except FileNotFoundError:
        raise RemanenceError(
            f"{path} does not exist; write the {what} into it, and nothing else") from None
    except (OSError, UnicodeDecodeError):
        raise RemanenceError(f"{path} cannot be read as text") from None
    if not found:
        raise RemanenceError(f"{path} is empty; write the {what} into it")
    if len(found.splitlines()) > 1:
        raise RemanenceError(f"{path}: found several lines; write the {what} into it, and "
                             "nothing else")
    return found
