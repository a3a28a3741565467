"""The password that is asked for whatever writes: hashed, in a file that only its owner reads.

scrypt with N = 2^14, r = 8, p = 5 (16 MB, so that a small computer bears it): one of the settings
of the OWASP Password Storage Cheat Sheet (from memory).
"""

from __future__ import annotations

import getpass
import hashlib
import hmac
import json
import os
import secrets
import stat
import sys
from dataclasses import dataclass
from pathlib import Path

from remanence.pipelines.sheets.refresh import venue_file
from remanence.pipelines.store.disk import make_folder, replace_file
from remanence.shared.errors import RemanenceError

DEFAULT_FILE = "secrets/serve.json"
"""Beside the venue file."""

LEAST_LETTERS = 8
"""NIST SP 800-63B (2017), 5.1.1.1: a password that a person chooses has eight or more."""

MOST_LETTERS = 1024
_COST = {"n": 1 << 14, "r": 8, "p": 5}


@dataclass(frozen=True)
class Password:
    """A password's hash, and the key that signs sessions; a new password ends all sessions."""

    salt: bytes
    digest: bytes
    session_key: str
    cost: tuple[int, int, int] = (_COST["n"], _COST["r"], _COST["p"])

    def is_right(self, given: str) -> bool:
        """Whether that is the password; takes as long whether or not it is."""
        return len(given) <= MOST_LETTERS and hmac.compare_digest(
            _digest(given, self.salt, *self.cost), self.digest)


def _digest(password: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    return hashlib.scrypt(password.encode(), salt=salt, n=n, r=r, p=p, maxmem=256 * n * r)


def password_path(venue_path: Path, given: Path | None = None) -> Path:
    """Where the password's hash lies: as given, else :data:`DEFAULT_FILE`."""
    return given or venue_path.parent / DEFAULT_FILE


def read_password(path: Path) -> Password | None:
    """The password of a file; None where there is no such file.

    Raises
    ------
    RemanenceError
        It can be read by others, or is none that ``--set-password`` wrote.
    """
    try:
        mode = path.stat().st_mode
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError):
        raise RemanenceError(f"{path}: the password cannot be read") from None
    if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise RemanenceError(f"{path}: found mode {stat.S_IMODE(mode):04o}, by which others can "
                             f"read the password's hash; run chmod 600 {path}")
    try:
        held = json.loads(text)
        return Password(bytes.fromhex(held["salt"]), bytes.fromhex(held["scrypt"]),
                        str(held["session_key"]), (held["n"], held["r"], held["p"]))
    except (ValueError, KeyError, TypeError):
        raise RemanenceError(f"{path}: this is not the file of a password; write it anew with: "
                             "remanence serve VENUE --set-password") from None


def write_password(path: Path, password: str) -> None:
    """Write a password's hash, for its owner's eyes only.

    Raises
    ------
    RemanenceError
        The password is too short or too long, or the file cannot be written.
    """
    if not LEAST_LETTERS <= len(password) <= MOST_LETTERS:
        raise RemanenceError(f"password: found {len(password)} letters; use {LEAST_LETTERS} or "
                             "more, several words are best")
    salt = secrets.token_bytes(16)
    held = {"salt": salt.hex(), "scrypt": _digest(password, salt, **_COST).hex(), **_COST,
            "session_key": secrets.token_urlsafe(32)}
    try:
        make_folder(path.parent)
        mask = os.umask(0o077)
        try:
            replace_file(path, (json.dumps(held) + "\n").encode())
        finally:
            os.umask(mask)
        path.chmod(0o600)
    except OSError as error:
        raise RemanenceError(f"{path}: cannot be written: {error.strerror or error}") from None


def set_password(given: str | Path, file: Path | None = None) -> str:
    """Ask for a password (or read it from standard input that is no terminal), and keep its hash.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    file : Path, optional
        Where to keep it; default: :data:`DEFAULT_FILE` beside the venue file.

    Returns
    -------
    str
        What to print.

    Raises
    ------
    RemanenceError
        There is no such venue, the two entries differ, or see :func:`write_password`.
    """
    path = password_path(venue_file(given), file)
    if sys.stdin.isatty():
        password = getpass.getpass("Password for whoever enters work: ")
        if getpass.getpass("Once more: ") != password:
            raise RemanenceError("password: the two entries differ; nothing was written")
    else:
        password = sys.stdin.readline().rstrip("\r\n")
    write_password(path, password)
    return (f"{path}: the password's hash is kept, for this account's eyes only. Whoever was "
            "signed in has to sign in anew.")
