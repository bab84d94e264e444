"""Public names of a package that are loaded when asked for: whoever needs one need not wait for all (PEP 562)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def load_when_asked(package: str, places: Mapping[str, str]) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """Make the `__getattr__` and the `__dir__` of a package.

    Parameters
    ----------
    package : str
        Its `__name__`.
    places : mapping
        For each public name the module of the package that holds it.
    """
    names = vars(import_module(package))

    def get(name: str) -> Any:
        if name not in places:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        names[name] = getattr(import_module(f"{package}.{places[name]}"), name)
        return names[name]

    return get, lambda: sorted({*names, *places})
