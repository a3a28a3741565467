"""Run a command as somebody who is not root.

    python -m tests.pipelines.ingest.unprivileged ARGS

Everything is imported first, since the interpreter's own files may be root's alone.
"""

from __future__ import annotations

import importlib
import os
import pkgutil
import sys

import remanence.pipelines as pipelines

NOBODY = 65534


def main() -> None:
    """Import, step down where root, run."""
    for module in pkgutil.walk_packages(pipelines.__path__, "remanence.pipelines."):
        importlib.import_module(module.name)
    for late in ("_strptime", "pandas", "pyarrow.dataset", "pyarrow.parquet"):
        importlib.import_module(late)  # older packages ask for these only when they need them
    for encoding in ("utf_8_sig", "idna", "cp1252", "latin_1", "utf_16"):
        importlib.import_module(f"encodings.{encoding}")
    from remanence.pipelines.commands import main as command

    if hasattr(os, "geteuid") and os.geteuid() == 0:
        os.setgroups([])
        os.setgid(NOBODY)
        os.setuid(NOBODY)
    sys.exit(command(sys.argv[1:]))


if __name__ == "__main__":
    main()
