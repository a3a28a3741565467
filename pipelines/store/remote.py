"""A venue's store in a bucket: this machine's folder is a copy of it, the bucket is the store.

Files of a store never change once they are written, so whatever the copy lacks is fetched, and
nothing in it grows old. What changes is the manifest, and it is put into the bucket on the
condition that it still is the one that was read: whoever comes second takes in the other's
manifest and does the commit again. docs/store.md says why no more is needed.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import random
import secrets
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import ParamSpec, TypeVar

from remanence.pipelines.say import note
from remanence.pipelines.store import disk
from remanence.pipelines.store.bucket import Bucket, Conflict, UnknownOutcomeError
from remanence.pipelines.store.manifest import (
    BUCKET,
    NAME,
    PUBLISH,
    DamagedManifestError,
    Manifest,
)
from remanence.pipelines.store.retired import KEEP_RETIRED_S
from remanence.pipelines.store.writer_lock import LOCK_WAIT_S, HeldError, writer_lock
from remanence.shared.errors import StoreError

REFRESH_S = 10.0
"""A reader looks for a newer manifest no more often: a sheet opens the store for each table."""
COMMIT_WITHIN_S = 24 * 3600.0
"""A commit that took longer is done again: what it sent could be taken for forgotten files, which
are removed after a week."""
REMEMBERED = 100
"""So many commits are known by name in the manifest: whoever does not hear whether its own was
taken finds it there, unless as many came after it within the minute of its retries."""
ATTEMPTS = 60
"""A commit that lost as often gives up. Each loss is another writer's commit done."""
BACK_OFF_S = 2.0
"""The longest pause before a commit is done again: some commits' length."""
MANY_FILES = 20
"""So many files to be fetched are worth a word."""

_buckets: dict[Path, Bucket] = {}
_looked: dict[Path, float] = {}
_swept: set[Path] = set()
_lost: dict[Path, dict[str, str]] = {}
"""By folder that is being repaired: files that are sound nowhere, and what is wrong with each."""

P = ParamSpec("P")
R = TypeVar("R")


class LostCommitError(Exception):
    """Another writer's manifest came first."""


def is_copy_of(folder: Path, address: str) -> None:
    """Have a folder be the copy of a bucket's store, and bring it up to date.

    Parameters
    ----------
    folder : Path
        Where the copy is kept; it is made where it is missing.
    address : str
        Like ``s3://bucket/prefix``.

    Raises
    ------
    StoreError
        The bucket cannot be reached or read, or it holds something else.
    """
    mark = folder / BUCKET
    if not mark.is_file():
        try:
            disk.replace_file(mark, address.encode())
        except OSError as error:
            raise StoreError(f"{folder}, the copy of {address}, cannot be written: "
                             f"{error.strerror or error}") from None
    if time.monotonic() - _looked.get(folder, -REFRESH_S) < REFRESH_S:
        return
    bucket = _bucket_of(folder)
    if bucket is None:
        return
    has_one = (folder / NAME).is_file()
    # (Beside a writer a reader sees what was there before, as in any store.)
    with contextlib.suppress(HeldError), writer_lock(folder, 0.0 if has_one else LOCK_WAIT_S):
        _Session(folder, bucket)
    _looked[folder] = time.monotonic()


@contextlib.contextmanager
def repairing(folder: Path) -> Iterator[None]:
    """Go on without files that are sound nowhere: :func:`fetched_again` tells them."""
    _lost[folder] = {}
    try:
        yield
    finally:
        del _lost[folder]


def fetched_again(folder: Path, address: str) -> list[str]:
    """Have every file of the store sound here and in the bucket, as far as either has it.

    Within :func:`repairing` the copy lacks what is sound nowhere, and what was replaced within a
    week is fetched too: it may hold the same records.

    Returns
    -------
    list of str
        What was done, a line each.

    Raises
    ------
    StoreError
        A file is sound nowhere, or the bucket cannot be reached.
    """
    is_copy_of(folder, address)
    bucket = _bucket_of(folder)
    lines: list[str] = []
    if bucket is None or not (folder / NAME).is_file():
        return lines
    with writer_lock(folder):
        session = _Session(folder, bucket)
        damaged = {path for path in session.known if disk.named_digest(path) not in (
            None, disk.digest_of(folder / path))}
        if damaged:
            disk.remove(folder, damaged)
            session = _Session(folder, bucket)
            lines.append(f"{len(damaged & session.known):,} damaged files of the copy were fetched "
                         "again")
        every = sorted(session.known)
        lacking = [path for path, why in zip(
            every, bucket.each(session.why_unsound, every), strict=True) if why]
        bucket.each(session.send, lacking)
        if lacking:
            lines.append(f"{len(lacking):,} files that {address} lacked, or held damaged, were "
                         "sent there")
        lost = _lost.get(folder)
        if lost:
            lines += [f"  {address}/{path} {why}, and no sound copy is here"
                      for path, why in sorted(lost.items())]
            session.fetch_replaced()
    return lines


def forget_buckets() -> None:
    """Look at all of them anew."""
    _buckets.clear()
    _looked.clear()
    _swept.clear()


def _bucket_of(folder: Path) -> Bucket | None:
    """The bucket that a folder is the copy of; None for a store that lies here."""
    if folder not in _buckets:
        try:
            address = (folder / BUCKET).read_text("utf-8").strip()
        except FileNotFoundError:
            return None
        except (OSError, UnicodeDecodeError):
            raise StoreError(f"{folder / BUCKET} cannot be read; delete {folder}, which is a copy "
                             "of a bucket's store, and it is fetched again") from None
        _buckets[folder] = Bucket(address)
    return _buckets[folder]


@contextlib.contextmanager
def writing(folder: Path) -> Iterator[None]:
    """Hold a store for writing: the newest manifest is here, and the next one goes to the bucket.

    For a store in a folder this is the writer's lock and no more.

    Raises
    ------
    StoreError
        The folder cannot be written, another writer holds it too long, or the bucket cannot be
        reached or read.
    LostCommitError
        Another machine's commit came first: to be done again (:func:`again_where_lost`).
    """
    with writer_lock(folder):
        bucket = _bucket_of(folder)
        if bucket is None:
            yield
            return
        session = _Session(folder, bucket)
        PUBLISH[folder] = session.publish
        # A name is never given twice, on whatever machine. So what is removed from the bucket
        # can be nothing that somebody is just sending.
        disk.mark_names(folder, f"w{secrets.token_hex(8)}-")
        try:
            yield
        finally:
            del PUBLISH[folder]
            disk.mark_names(folder, None)
        session.sweep()


def again_where_lost(do: Callable[P, R]) -> Callable[P, R]:
    """Do a commit again, from the start, while other machines' come first."""
    @functools.wraps(do)
    def done(*args: P.args, **named: P.kwargs) -> R:
        for attempt in range(ATTEMPTS):
            try:
                return do(*args, **named)
            except LostCommitError:
                time.sleep(random.uniform(0, min(BACK_OFF_S, 0.05 * 2 ** attempt)))
        raise StoreError("other machines wrote to the store all the while, so that this one's turn "
                         "never came; nothing was changed. Run the same command again")
    return done


class _Session:
    """The newest state of a bucket's store, brought into its copy; the copy's lock is held."""

    def __init__(self, folder: Path, bucket: Bucket) -> None:
        self.folder, self.bucket = folder, bucket
        self.began = time.time()
        self.version: str | None = None
        """What the bucket calls the manifest that was read; None: there is none."""
        self.known: set[str] = set()
        """Files that are in the bucket for certain."""
        self.published: Manifest | None = None
        self._pull()

    def _pull(self) -> None:
        seen = None
        while True:
            found = self.bucket.read(NAME)
            if found is None and not self._is_lost():
                if self._is_empty():
                    return
                continue  # another writer has begun the store since
            try:
                manifest = self._manifest(found[0] if found else b"")
            except DamagedManifestError:
                if self.folder not in _lost:
                    raise
                self._pull_all(found)
                return
            assert found is not None  # (no text is no manifest)
            lacking = sorted(path for path in manifest.named()
                             if not (self.folder / path).is_file())
            if len(lacking) > MANY_FILES:
                note(f"fetching {len(lacking):,} files from {self.bucket.address}")
            wrong = {path: why for path, why in zip(
                lacking, self.bucket.each(self._fetch, lacking), strict=True) if why}
            if not wrong:
                break
            if seen == found:  # (else the manifest has moved on, and they were removed since)
                if self.folder not in _lost:
                    raise self._unsound(wrong)
                _lost[self.folder] |= wrong
                break
            seen = found
        self.version, self.known = found[1], manifest.named() - wrong.keys()
        self._take_over(manifest, found[0])

    def _is_lost(self) -> bool:
        """Whether the manifest is gone, of a store that is to be repaired."""
        return self.folder in _lost and any(
            path.startswith("signals/") and disk.named_digest(path)
            for path in self.bucket.changed())

    def _pull_all(self, found: tuple[bytes, str] | None) -> None:
        """Bring every sound file into the copy: the manifest is damaged, and names none of them.

        The copy's manifest becomes the damaged one, whatever it was: it may be an older state. So
        it is made anew from the files, as that of a store in a folder is.
        """
        data, self.version = found or (b"", None)
        every = [path for path in self.bucket.changed()
                 if disk.named_digest(path) and disk.is_below(path)]
        lacking = [path for path in every if not (self.folder / path).is_file()]
        wrong = {path: why for path, why in zip(
            lacking, self.bucket.each(self._fetch, lacking), strict=True) if why}
        _lost[self.folder] |= wrong
        self.known = set(every) - wrong.keys()
        disk.replace_file(self.folder / NAME, data)

    def _take_over(self, manifest: Manifest, data: bytes) -> None:
        """Have the copy's manifest be the bucket's, and drop files that this one has forgotten."""
        path = self.folder / NAME
        try:
            before = path.read_bytes()
        except FileNotFoundError:
            before = b""
        if before == data:
            return
        disk.replace_file(path, data)
        with contextlib.suppress(StoreError):  # a damaged copy names nothing to be dropped
            if before:
                disk.remove(self.folder, _known(self._manifest(before)) - _known(manifest))

    def _manifest(self, data: bytes) -> Manifest:
        return Manifest.from_json(
            data.decode("utf-8", errors="replace"), f"{self.bucket.address}/{NAME}")

    def _unsound(self, wrong: dict[str, str]) -> StoreError:
        path, why = min(wrong.items())
        more = f" (and {len(wrong) - 1:,} more files)" if len(wrong) > 1 else ""
        return StoreError(
            f"{self.bucket.address}/{path} {why}{more}; put it back from a copy of the bucket, or "
            "from the folder of another machine that reads this store. Without these, have back "
            "what can be had with: remanence verify VENUE --repair")

    def why_unsound(self, path: str) -> str | None:
        """What is wrong with a file in the bucket; None where nothing is."""
        return self._read(path)[1]

    def _read(self, path: str) -> tuple[bytes, str | None]:
        found = self.bucket.read(path)
        if found is None:
            return b"", "is not there, though the manifest names it"
        return found[0], _why_damaged(path, found[0])

    def _fetch(self, path: str) -> str | None:
        """Bring a file into the copy; what is wrong with it where it cannot be had."""
        data, why = self._read(path)
        if why is None:
            disk.replace_file(self.folder / path, data)
        return why

    def fetch_replaced(self) -> None:
        """Bring into the copy what sound files there are that were replaced within a week."""
        try:
            manifest = self._manifest((self.folder / NAME).read_bytes())
        except DamagedManifestError:
            return  # all that there is was brought
        self.bucket.each(self._fetch, [path for path, _ in manifest.retired
                                       if not (self.folder / path).is_file()])

    def send(self, path: str) -> None:
        """Put a file of the copy into the bucket."""
        data = (self.folder / path).read_bytes()
        why = _why_damaged(path, data)
        if why:
            raise StoreError(f"{self.folder / path} {why}; run the same command again")
        self.bucket.put(path, data)

    def _is_empty(self) -> bool:
        """Whether nothing is there; False where a manifest has come meanwhile."""
        if (self.folder / NAME).is_file():
            raise StoreError(
                f"{self.bucket.address} holds no {NAME}, though {self.folder} is a copy of one; "
                f"put the bucket back from a copy, or delete {self.folder} to begin a new store. "
                "Where its other files are still there, have it made anew from these with: "
                "remanence verify VENUE --repair")
        other = self.bucket.something_else()
        if other is not None and self.bucket.read(NAME) is not None:
            return False
        if other is not None:
            raise StoreError(
                f"{self.bucket.address} cannot be the store: it has no {NAME} and is not empty "
                f"(found {other!r}); set store in the venue file to a place of its own. Nothing "
                "was written there")
        return True

    def publish(self, manifest: Manifest) -> None:
        """Send what the bucket lacks, then put a manifest in force: all of it, or nothing.

        Raises
        ------
        StoreError
            The bucket cannot be written; the store is as it was.
        LostCommitError
            Another manifest was put in force since this one's was read.
        """
        if self.version is None:
            self.bucket.must_keep_conditions()
        self.bucket.each(self.send, sorted(manifest.named() - self.known))
        if not 0 <= time.time() - self.began < COMMIT_WITHIN_S:
            raise LostCommitError
        name = secrets.token_hex(8)
        manifest.commits = [*manifest.commits, name][-REMEMBERED:]
        data = manifest.to_json().encode()
        try:
            self.version = self.bucket.put_if(NAME, data, self.version)
        except (Conflict, UnknownOutcomeError) as error:
            # The answer to a first attempt may be what got lost, and the second one's "no"
            # be for our own manifest.
            now = self.bucket.read(NAME)
            if now is None or name not in self._manifest(now[0]).commits:
                raise (LostCommitError if isinstance(error, Conflict) else error) from None
            # (No manifest has this version: what is built on an overtaken one must lose.)
            self.version = now[1] if now[0] == data else "overtaken"
        self.known |= manifest.named()
        self.published = manifest

    def sweep(self) -> None:
        """Remove from the bucket what has belonged to nothing for a week; once a run.

        No clock but the bucket's own counts. A file that another writer has sent for a commit
        of its own is younger, for a commit takes a day at most; and none is sent under a name
        that was there before.
        """
        if self.published is None or self.folder in _swept:
            return
        _swept.add(self.folder)
        with contextlib.suppress(StoreError):  # the next run sweeps
            ages = self.bucket.changed()
            if NAME not in ages or not self.published.named() <= ages.keys():
                return
            keep = _known(self.published) | {NAME}
            self.bucket.remove([
                path for path, at in ages.items()
                if path not in keep and (ages[NAME] - at).total_seconds() >= KEEP_RETIRED_S])


def _why_damaged(path: str, data: bytes) -> str | None:
    if disk.named_digest(path) in (None, hashlib.sha256(data).hexdigest()):
        return None
    return "is damaged: its content is not what was written"


def _known(manifest: Manifest) -> set[str]:
    return manifest.named() | {path for path, _ in manifest.retired}
