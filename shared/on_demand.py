"""What a package offers, imported when it is asked for: a light command pays for nothing else."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def on_demand(package: str, offers: Mapping[str, tuple[str, ...]]) -> Callable[[str], Any]:
    """The ``__getattr__`` of a package (PEP 562) that imports a name's module at its first use.

    Parameters
    ----------
    package : str
        The package's ``__name__``.
    offers : mapping of str to tuple of str
        From each module of the package to the names that the package offers of it.

    Returns
    -------
    function
        From a name to what it names; an AttributeError for any other name.
    """
    homes = {name: module for module, names in offers.items() for name in names}

    def offered(name: str) -> Any:
        if name in homes:
            return getattr(import_module(f"{package}.{homes[name]}"), name)
        raise AttributeError(f"module {package!r} has no attribute {name!r}")

    return offered
