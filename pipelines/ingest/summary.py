"""What an ingest did: every line of every file accounted for, in plain words."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import date

from remanence.shared.absent import Absent

SHOWN_REASONS = 20
SHOWN_FILES = 40


@dataclass
class FileCount:
    """One log file: ``read`` = ``taken`` + ``repeated`` + ``rejected``.

    A record is one reading of one channel: usually a line, several of them where a
    line carries several channels. ``passed`` counts header, blank and comment lines,
    which are no records. ``unchanged``: not read again, as nothing has changed.
    """

    file: str
    read: int = 0
    taken: int = 0
    rejected: int = 0
    passed: int = 0
    unchanged: bool = False
    reasons: Counter[str] = field(default_factory=Counter)
    first_line: dict[str, int] = field(default_factory=dict)

    @property
    def repeated(self) -> int:
        """Records that the store held already, or that the file has twice."""
        return self.read - self.taken - self.rejected


@dataclass
class IngestSummary:
    """What an ingest did.

    ``faults`` are files that could not be read, or not to their end; ``doubts`` are files whose
    times something contradicts; ``absent`` are channels of the venue file that no log ever brought.
    """

    files: list[FileCount] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    days: set[date] = field(default_factory=set)
    doubts: list[str] = field(default_factory=list)
    absent: list[Absent] = field(default_factory=list)

    @property
    def read(self) -> int:
        """Records read in all files."""
        return sum(f.read for f in self.files)

    @property
    def taken(self) -> int:
        """Records that the store did not hold before."""
        return sum(f.taken for f in self.files)

    @property
    def repeated(self) -> int:
        """Records that it did."""
        return sum(f.repeated for f in self.files)

    @property
    def rejected(self) -> int:
        """Records and lines set aside with a reason."""
        return sum(f.rejected for f in self.files)

    @property
    def all_rejected(self) -> bool:
        """Whether lines were read now and not one of them could be taken or was known."""
        now = [f for f in self.files if not f.unchanged]
        read = sum(f.read for f in now)
        return read > 0 and sum(f.rejected for f in now) == read

    @property
    def good(self) -> bool:
        """Whether every file could be read, something of them used, and their times believed."""
        return not self.faults and not self.doubts and not self.all_rejected

    @property
    def reasons(self) -> Counter[str]:
        """How often each reason was given."""
        total: Counter[str] = Counter()
        for file in self.files:
            total.update(file.reasons)
        return total

    def text(self) -> str:
        """The summary for people: one line a file, then the reasons."""
        lines = [
            f"{_n(self.read)} record{_s(self.read)} read in {_n(len(self.files))} "
            f"file{_s(len(self.files))}: {_n(self.taken)} taken, {_n(self.repeated)} repeated, "
            f"{_n(self.rejected)} rejected; {_n(len(self.days))} day{_s(len(self.days))} changed"
        ]
        lines += self._file_lines()
        reasons = self.reasons
        if reasons:
            lines.append("Rejected, and why (export the rejects table to see the lines):")
        for reason, count in sorted(reasons.items(), key=lambda r: (-r[1], r[0]))[:SHOWN_REASONS]:
            lines.append(f"  {_n(count):>9}  {reason}  ({self._example(reason)})")
        if len(reasons) > SHOWN_REASONS:
            rest = len(reasons) - SHOWN_REASONS
            lines.append(f"  and {_n(rest)} further reason{_s(rest)}")
        if self.all_rejected:
            lines.append(
                "Nothing was taken: every line was rejected. The venue file does not describe "
                "this log yet;\nremanence sniff FILE proposes a [[log]] block for it, and\n"
                "remanence export VENUE rejects rejects.csv writes the lines with their reasons.")
        lines += [f"Doubtful: {doubt}" for doubt in self.doubts]
        if self.absent:
            lines.append("Channels of the venue file that never came in any log; nothing is said "
                         "of what they would tell:")
            lines += [f"  {absent.text()}" for absent in self.absent]
        lines += [f"Note: {note}" for note in self.notes]
        lines += [f"Not read: {fault}" for fault in self.faults]
        return "\n".join(lines)

    def _file_lines(self) -> list[str]:
        worth = [f for f in self.files if not f.unchanged]
        same = len(self.files) - len(worth)
        shown = worth if len(worth) <= SHOWN_FILES else [f for f in worth if f.rejected]
        shown = shown[:SHOWN_FILES]
        width = max([len(_shown(f.file)) for f in shown], default=4)
        lines = [f"  {'file':<{width}}  {'read':>11}  {'taken':>11}  {'repeated':>11}  "
                 f"{'rejected':>9}"] if shown else []
        lines += [
            f"  {_shown(f.file):<{width}}  {_n(f.read):>11}  {_n(f.taken):>11}  "
            f"{_n(f.repeated):>11}  {_n(f.rejected):>9}" for f in shown
        ]
        if len(worth) > len(shown):
            lines.append(f"  and {_n(len(worth) - len(shown))} more, nothing rejected or not shown")
        if same:
            lines.append(f"  {_n(same)} file{_s(same)} unchanged since the last time, not read "
                         "again")
        return lines

    def _example(self, reason: str) -> str:
        for file in self.files:
            if reason in file.first_line:
                return f"{_shown(file.file)}, line {file.first_line[reason]}"
        return ""


def _shown(name: str) -> str:
    """A file's name on one line."""
    return "".join(c if c.isprintable() else "?" for c in name)


def _n(number: int) -> str:
    return f"{number:,}"


def _s(number: int) -> str:
    return "" if number == 1 else "s"
