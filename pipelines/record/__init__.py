"""Live capture: what arrives on a broker, a port, in growing files or as syslog, onto the disk.

A source has a listener (:mod:`.mqtt`, :mod:`.serial_port`, :mod:`.growing_file`, :mod:`.syslog`),
which puts what arrives into a bounded inbox, and one writer (:mod:`.capture`), which appends it to
the source's journal and only then says that it is kept. The store knows nothing of it: ``ingest``
reads the journals like any log.
"""

from __future__ import annotations

from remanence.pipelines.record.record import record, status_report

__all__ = ["record", "status_report"]
