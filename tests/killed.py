"""Runs an action in a process that is killed at one of its file operations, for tests of what a crash leaves."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator

STEPS = frozenset(
    ("open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.chmod", "shutil.copyfile", "shutil.rmtree")
)


def killed_at_each_step(action: Callable[[], object], events: frozenset[str] = STEPS) -> Iterator[int]:
    """Run an action again and again, killed at its first file operation, its second ..., until it comes to its end.

    Yields the number of the operation before which it was killed; what the caller does in between is not counted.
    """
    step = 0
    while True:
        step += 1
        if not _is_killed(action, step, events):
            return
        yield step


def _is_killed(action: Callable[[], object], step: int, events: frozenset[str]) -> bool:
    child = os.fork()
    if child == 0:
        _run_to(action, step, events)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return os.WTERMSIG(status) == signal.SIGKILL
    if os.WEXITSTATUS(status):
        raise RuntimeError(f"the action failed by itself when it was to be killed at step {step}")
    return False


def _run_to(action: Callable[[], object], step: int, events: frozenset[str]) -> None:
    seen = 0

    def watch(event: str, arguments: tuple) -> None:
        nonlocal seen
        if event in events:
            seen += 1
            if seen == step:
                os.kill(os.getpid(), signal.SIGKILL)

    code = 1
    try:
        sys.addaudithook(watch)
        action()
        code = 0
    finally:
        os._exit(code)
