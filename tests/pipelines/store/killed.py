"""A process that is killed before one call after the other, and what is looked at after each."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from typing import Any

import pytest

from remanence.pipelines.store import disk
from remanence.pipelines.store.bucket import Bucket

STEPS_ON_DISK = tuple(
    [(os, name) for name in ("open", "fsync", "replace", "unlink", "mkdir")]
    + [(disk, name) for name in ("replace_file", "sync_names", "nothing_unfinished", "remove")])
STEPS_IN_A_BUCKET = tuple(
    [(Bucket, name) for name in ("read", "put", "put_if", "changed", "remove")]
    + [(disk, name) for name in ("replace_file", "sync_names", "nothing_unfinished", "remove")])


class KilledError(BaseException):
    """In the place of a signal that no process can catch."""


def kill_before_each(
    monkeypatch: pytest.MonkeyPatch, steps: Iterable[tuple[Any, str]],
    work: Callable[[], object], look: Callable[[], object],
) -> int:
    """Do the work again and again, killed before its first step, its second and so on.

    ``look`` is called after each kill, undisturbed. Ends with the first time that the work is
    done before its turn to be killed has come; how often it was killed.
    """
    count, at = 0, 0

    def counted(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*words: Any, **more: Any) -> Any:
            nonlocal count
            count += 1
            if count == at:
                raise KilledError
            return real(*words, **more)
        return call

    with monkeypatch.context() as patched:
        for where, name in steps:
            patched.setattr(where, name, counted(getattr(where, name)))
        for killed in range(1000):
            count, at = 0, killed + 1
            try:
                work()
            except KilledError:
                at = 0
                look()
                continue
            assert count < at
            return killed
    raise AssertionError("never done")
