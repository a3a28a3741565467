"""A compiled module of SciPy without the package about it.

`scipy.special` and `scipy.linalg` load some 180 modules of SciPy and NumPy at their start, for
other kinds of arrays and for what nobody here calls: 0.2 s and 20 MB of every run. The functions
themselves stand in two compiled modules, which need none of that.
"""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import find_spec, module_from_spec
from typing import Any

__all__ = ["compiled"]


def compiled(package: str, module: str, instead: str) -> Any:
    """One module of a package, whose own start is left out.

    Whoever imports the package itself, before or after, gets it whole, with the same functions.

    Parameters
    ----------
    package : str
        Such as ``scipy.special``.
    module : str
        Name of its compiled module.
    instead : str
        Public module with the same functions, for a release that has no such compiled one.

    Returns
    -------
    module
    """
    try:
        if package in sys.modules:
            return import_module(f"{package}.{module}")
        spec = find_spec(package)
        assert spec is not None
        sys.modules[package] = module_from_spec(spec)  # Found, but not run.
        try:
            return import_module(f"{package}.{module}")
        finally:
            del sys.modules[package]
    except ImportError:
        return import_module(instead)
