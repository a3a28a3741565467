"""Files that are no log: what they are by their first bytes, and what to export instead."""

from __future__ import annotations

from remanence.pipelines.readers.raw import Sample
from remanence.pipelines.readers.source import UnreadableSourceError

_TEXT = "export the records themselves as CSV or JSON, one record a line"
_MAGIC = (
    (b"%PDF", "a PDF, made for the eye", _TEXT),
    (b"\x89PNG", "a picture", _TEXT), (b"\xff\xd8\xff", "a picture", _TEXT),
    (b"GIF8", "a picture", _TEXT), (b"BM", "a picture", _TEXT),
    (b"<!doctype html", "a web page", _TEXT), (b"<html", "a web page", _TEXT),
    (b"<?xml", "XML", "export as CSV or JSON, or save the table in it as a workbook"),
    (b"{\\rtf", "a text document", "save it as plain text"),
    (b"PK\x03\x04", "a zip archive or a document, not named .zip", "unpack it, and give the files "
     "in it; of a document, save the table as a workbook or CSV"),
    (b"\x1f\x8b", "packed with gzip, but not named .gz", "add .gz to its name"),
    (b"\x28\xb5\x2f\xfd", "packed with Zstandard, but not named .zst", "add .zst to its name"),
    (b"BZh", "packed with bzip2", "unpack it"), (b"\xfd7zXZ", "packed with xz", "unpack it"),
    (b"7z\xbc\xaf", "a packed archive", "unpack it"), (b"Rar!", "a packed archive", "unpack it"),
    (b"\x89HDF", "an HDF5 file", "export the table in it as CSV or Parquet"),
    (b"ARROW1", "an Arrow file", "write it as Parquet"),
    (b"\xd4\xc3\xb2\xa1", "a capture of network packets", "export the messages in it as JSON or "
     "CSV, with the time of each"),
    (b"\x0a\x0d\x0d\x0a", "a capture of network packets", "export the messages in it as JSON or "
     "CSV, with the time of each"),
    (b"LPKSHHRH", "a system journal in its own binary form", "export it as JSON, one entry a line"),
)
"""First bytes by the published description of each form."""

CONTROL_SHARE = 0.05
"""Text holds fewer control characters than this; common practice, no source."""

_CONTROL = bytes(byte for byte in range(32) if byte not in b"\t\n\r\f\x1b")


def refuse_unreadable(sample: Sample) -> None:
    """Say what a file is that no log can be read from.

    Raises
    ------
    UnreadableSourceError
        The file is of a known other kind, or no text.
    """
    start = sample.data.lstrip(b"\xef\xbb\xbf \t\r\n")[:16]
    for magic, what, instead in _MAGIC:
        if start.lower().startswith(magic.lower()):
            raise UnreadableSourceError(f"{sample.source.name}: is {what}; {instead}")
    text = "".join(sample.lines[:200]).encode("utf-8", "replace")
    odd = len(text) - len(text.translate(None, _CONTROL))
    if text and odd > CONTROL_SHARE * len(text):
        raise UnreadableSourceError(
            f"{sample.source.name}: is in a binary form of its own, no text; {_TEXT}, from the "
            "program that wrote it")
