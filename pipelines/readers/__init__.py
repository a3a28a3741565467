"""Bytes into raw records: one module a format, one shape out (see :mod:`.raw`)."""
