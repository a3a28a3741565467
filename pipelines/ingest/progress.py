"""How far an ingest has come: a bar where a person watches, plain lines where not."""

from __future__ import annotations

import sys
import time
from typing import Protocol

from remanence.pipelines.say import note
from remanence.shared.terminal import printable

LINE_EVERY_S = 10.0


class Progress(Protocol):
    """Told of bytes of log files as they are used up."""

    def start(self, total_bytes: int) -> None:
        """So much is to be read."""
        ...

    def advance(self, used_bytes: int, name: str) -> None:
        """So much more of the file ``name`` has been read."""
        ...

    def close(self) -> None:
        """All is read."""
        ...


class Silent:
    """Tells nobody."""

    def start(self, total_bytes: int) -> None:
        """Ignored."""

    def advance(self, used_bytes: int, name: str) -> None:
        """Ignored."""

    def close(self) -> None:
        """Ignored."""


class Bar:
    """A bar with bytes and time left, on standard error."""

    def start(self, total_bytes: int) -> None:
        """Draw it."""
        from tqdm import tqdm

        self.bar = tqdm(total=total_bytes, unit="B", unit_scale=True, unit_divisor=1024,
                        leave=False, desc="reading")

    def advance(self, used_bytes: int, name: str) -> None:
        """Move it."""
        self.bar.set_description_str(printable(name[-40:]), refresh=False)
        self.bar.update(used_bytes)

    def close(self) -> None:
        """Take it away."""
        self.bar.close()


class Lines:
    """A plain line now and then, on standard error."""

    def start(self, total_bytes: int) -> None:
        """Note the time."""
        self.total, self.used = total_bytes, 0
        self.begun = self.said = time.monotonic()

    def advance(self, used_bytes: int, name: str) -> None:
        """Say something if it is time to."""
        self.used += used_bytes
        now = time.monotonic()
        if now - self.said < LINE_EVERY_S:
            return
        self.said = now
        share = self.used / self.total if self.total else 1.0
        left = (now - self.begun) * (1 - share) / share if share else 0.0
        note(f"reading {name}: {self.used / 1e6:,.0f} of {self.total / 1e6:,.0f} MB, about "
             f"{left:,.0f} s left")

    def close(self) -> None:
        """Nothing to take away."""


def progress_for(stream: object = None) -> Progress:
    """A bar on a terminal, plain lines elsewhere."""
    stream = stream or sys.stderr
    watched = getattr(stream, "isatty", lambda: False)()
    return Bar() if watched else Lines()
