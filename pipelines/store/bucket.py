"""The few requests to a bucket that a store needs, and what went wrong with them in words.

Keys come from the environment, or from the machine's role; they stand in no file of ours and in
no message. So of a server's answer, which may repeat them, no more is told than its code.
"""

from __future__ import annotations

import contextlib
import os
import re
import secrets
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, TypeVar

from remanence.shared.errors import StoreError, UnwritableStoreError

if TYPE_CHECKING:
    from obstore.store import S3Store

RETRIES = 5
RETRY_WITHIN_S = 60.0
"""How often, and for how long, a request is made again that found no server, or a failing one."""
CONNECT_S = 5.0
REQUEST_S = 300.0
"""How long one file may take: 30 MB over a slow line."""
AT_A_TIME = 8
"""Requests under way: enough that their latency does not add up."""
_NO_BUCKET = "cannot be the store: there is no such bucket; make it first"
PROBE = "conditional-write-test"

T = TypeVar("T")
R = TypeVar("R")


class Conflict(Exception):  # noqa: N818 (not an error: another writer was first)
    """What is in the bucket is not what was to be replaced."""


class UnknownOutcomeError(UnwritableStoreError):
    """Whether a request was carried out is not known."""


class Bucket:
    """A place in a bucket, by its address: ``s3://bucket/prefix``.

    Raises
    ------
    StoreError
        The package that speaks to buckets is not installed, or the configuration is no good.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        try:
            import obstore
            from obstore.store import S3Store
        except ImportError:
            raise StoreError(f"{address}: a store in a bucket needs a further package; install it "
                             'with: pip install "remanence-locks[cloud]"') from None
        self._obstore = obstore
        name, _, prefix = address.removeprefix("s3://").partition("/")
        with self._in_words(StoreError):
            self._store: S3Store = S3Store(
                name, prefix=prefix or None,
                retry_config={"max_retries": RETRIES,
                              "retry_timeout": timedelta(seconds=RETRY_WITHIN_S)},
                client_options={"connect_timeout": timedelta(seconds=CONNECT_S),
                                "timeout": timedelta(seconds=REQUEST_S),
                                # (Given options, it looks for this one nowhere else.)
                                "allow_http": _asked("AWS_ALLOW_HTTP")})

    @contextlib.contextmanager
    def _in_words(self, kind: type[StoreError]) -> Iterator[None]:
        """Tell a failed request as an error of the store; what is not there passes as it is."""
        errors = self._obstore.exceptions
        try:
            yield
        except (FileNotFoundError, errors.AlreadyExistsError, errors.PreconditionError):
            raise
        except (errors.BaseError, OSError, ValueError) as error:
            raise kind(f"{self.address} {_why(error)}") from None

    def read(self, path: str) -> tuple[bytes, str] | None:
        """A file's content, and what the bucket calls this version; None where there is none."""
        try:
            with self._in_words(StoreError):
                found = self._obstore.get(self._store, path)
                return bytes(found.bytes()), _version(found.meta["e_tag"], self.address)
        except FileNotFoundError:
            return None

    def put(self, path: str, data: bytes) -> None:
        """Put a file there, whatever there is."""
        try:
            with self._in_words(UnwritableStoreError):
                self._obstore.put(self._store, path, data, use_multipart=False)
        except FileNotFoundError:
            raise self._no_bucket() from None

    def put_if(self, path: str, data: bytes, version: str | None) -> str:
        """Put a file in the place of one version of it, or where there is none; the new version.

        Raises
        ------
        Conflict
            What is there is another version.
        UnknownOutcomeError
            No answer came.
        """
        errors = self._obstore.exceptions
        try:
            with self._in_words(UnknownOutcomeError):
                done = self._obstore.put(
                    self._store, path, data, use_multipart=False,
                    mode="create" if version is None else {"e_tag": version})
                return _version(done["e_tag"], self.address)
        except (errors.AlreadyExistsError, errors.PreconditionError, FileNotFoundError):
            raise Conflict from None

    def must_keep_conditions(self) -> None:
        """Refuse a server that writes though the condition does not hold.

        Two writers would undo each other's commits there, and nobody would know.
        """
        probe = f"{PROBE}-{secrets.token_hex(8)}"  # (another writer may be trying, too)
        with contextlib.suppress(Conflict):
            self.put_if(probe, b"1", None)
        for version in (None, '"0123456789abcdef0123456789abcdef"'):
            try:
                self.put_if(probe, b"2", version)
            except Conflict:
                continue
            raise UnwritableStoreError(
                f"{self.address} cannot be the store: its server replaces a file without looking "
                "at the condition (If-Match, If-None-Match) that the request states, so that two "
                "writers would undo each other's work. Use a server that knows conditional writes")
        self.remove([probe])

    def something_else(self) -> str | None:
        """A file that is there already."""
        found = (path for path in self.changed(most=1000) if not path.startswith(f"{PROBE}-"))
        return next(found, None)

    def changed(self, most: int | None = None) -> dict[str, datetime]:
        """When each file was put there, by the bucket's clock."""
        found: dict[str, datetime] = {}
        try:
            with self._in_words(StoreError):
                for some in self._obstore.list(self._store, chunk_size=most or 1000):
                    found |= {item["path"]: item["last_modified"] for item in some}
                    if most and len(found) >= most:
                        break
        except FileNotFoundError:
            raise self._no_bucket() from None
        return found

    def remove(self, paths: Sequence[str]) -> None:
        """Remove files."""
        if paths:
            with contextlib.suppress(FileNotFoundError), self._in_words(UnwritableStoreError):
                self._obstore.delete(self._store, list(paths))

    def each(self, do: Callable[[T], R], items: Sequence[T]) -> list[R]:
        """Do something with each, some at a time."""
        if len(items) < 2:
            return [do(item) for item in items]
        with ThreadPoolExecutor(AT_A_TIME) as pool:
            return list(pool.map(do, items))

    def _no_bucket(self) -> StoreError:
        return UnwritableStoreError(f"{self.address} {_NO_BUCKET}")


def _version(e_tag: str | None, address: str) -> str:
    if e_tag is None:
        raise StoreError(f"{address} cannot be the store: its server does not tell versions of a "
                         "file apart (no ETag)")
    return e_tag


def _asked(name: str) -> bool:
    return os.environ.get(name, "").lower() in ("1", "true", "yes", "on")


def _why(error: Exception) -> str:
    """What went wrong, without anything of the request."""
    text = str(error)
    status = re.search(r"status code: (\d{3})", text)
    code = re.search(r"<Code>(\w{1,60})</Code>", text)
    number = int(status[1]) if status else 0
    said = f" ({number}{f', {code[1]}' if code else ''})" if number else ""
    if code and code[1] == "NoSuchBucket":
        return _NO_BUCKET
    if number in (401, 403) or type(error).__name__ in (
            "PermissionDeniedError", "UnauthenticatedError"):
        return (f"refuses access{said}; the keys are read from the environment "
                "(AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY) or from the machine's role")
    if "169.254." in text or "credential" in text.lower():
        return ("cannot be used without keys; set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY in "
                "the environment")
    if number:
        return f"cannot be used: its server answered with an error{said}; run the same again later"
    if "builder error" in text:
        return ("cannot be used: AWS_ENDPOINT_URL is not encrypted; set AWS_ALLOW_HTTP=true if "
                "that is meant")
    return ("cannot be reached; look at the network, and at AWS_ENDPOINT_URL and AWS_REGION if "
            "they are set. What was stored before is safe: run the same command again")
