"""Look at log files of which nobody has said what they are, and propose how to read them.

``sniff.sniff`` is the way in; each format's own reader says whether a file is one of its kind.
"""
