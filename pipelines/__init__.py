"""Everything that touches a disk: readers, clocks, store, ingest, derive, commands."""
