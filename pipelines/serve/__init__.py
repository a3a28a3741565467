"""The sheets on the venue's own network, this morning's round, and jobs marked done by phone.

The server itself (:mod:`.app`) stays small: it reads the reports that lie on the disk. Whoever
looks at this morning's page starts a process of its own that follows the log (:mod:`.follow`) and
ends when nobody has looked for a while.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.pipelines.serve.password import set_password
    from remanence.pipelines.serve.server import serve

__all__ = ["serve", "set_password"]

__getattr__ = on_demand(__name__, {"password": ("set_password",), "server": ("serve",)})
