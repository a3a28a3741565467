"""The store of one venue: records by day, each file known by its digest, one writer at a time."""
