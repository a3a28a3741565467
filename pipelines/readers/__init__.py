"""One file a log format, one shape of record out of all of them."""
