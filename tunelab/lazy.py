"""Nobody waits for what he does not use: public names of a package are loaded when asked for (PEP 562), and libraries
that others would load in passing are not loaded at all.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
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


@contextmanager
def as_if_missing(*modules: str) -> Iterator[None]:
    """Let modules count as not installed inside the block, so that a library that could also work with them goes on.

    One that is loaded already stays. For processes of the kit's own: others may want what is left out here.

    Source: the Python language reference, 5.3.1: a name that is None in `sys.modules` is not found.
    """
    left_out = [name for name in modules if name not in sys.modules]
    sys.modules.update(dict.fromkeys(left_out))  # type: ignore[arg-type]
    try:
        yield
    finally:
        for name in left_out:
            sys.modules.pop(name, None)


@contextmanager
def without_dask() -> Iterator[None]:
    """Let xarray do without dask inside the block: it loads it in passing, and no log is so large that it is wanted.

    Only where xarray is not loaded yet: once it has seen that dask is installed, it cannot do without.
    """
    with as_if_missing(*(() if "xarray" in sys.modules else ("dask",))):
        yield
