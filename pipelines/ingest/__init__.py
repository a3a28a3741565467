"""Logs into the store: which files, how far they were read, and an account of every line.

``ingest.ingest`` is the way in.
"""
