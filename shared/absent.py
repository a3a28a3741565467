"""A channel of the venue file that no log ever brought."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Absent:
    """A channel that never came.

    Attributes
    ----------
    channel : str
        Its name in the venue file.
    uses : tuple of (str, str)
        What it would tell (command, contact or volts), and of which lock or supply.
    nearest : str or None
        The name that the log has and the venue file has not, and that is most like it.
    """

    channel: str
    uses: tuple[tuple[str, str], ...]
    nearest: str | None = None

    def text(self) -> str:
        """One line for people."""
        hint = f"; the log has {self.nearest}, which the venue file does not" if (
            self.nearest) else ""
        uses = ", ".join(f"{kind} of {subject}" for kind, subject in self.uses)
        return f"{self.channel} ({uses}){hint}"
