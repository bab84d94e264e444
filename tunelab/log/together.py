"""Work on several columns at the same time: numpy lets go of the interpreter while it reckons."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

_MOST_THREADS = 4


def each_of(function: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
    """Call a function on each item, in threads; results in the order of the items.

    The function must not depend on the order of the calls. An error in one of them is raised here.
    """
    items = list(items)
    threads = min(_MOST_THREADS, os.cpu_count() or 1, len(items))
    if threads < 2:
        return [function(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(function, items))
