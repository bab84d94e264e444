"""JupyterLab as `tunelab lab` starts it, and a page of headless Chromium on it, for tests."""

from __future__ import annotations

import http.client
import json
import random
import re
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

CHROMIUM_ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update",
    "--disable-sync",
]  # fmt: skip
RUN = "import sys; from tunelab.cli import main; sys.exit(main())"
ADDRESS = re.compile(r"http://127\.0\.0\.1:(\d+)/lab\S*\?token=(\w+)")


@contextmanager
def running_lab(root: Path, log: Path) -> Iterator[str]:
    """Run `tunelab lab` on a workspace; gives the address that it prints, with its key."""
    command = [sys.executable, "-c", RUN, "lab", str(root), "--no-browser", "--port", str(free_port())]
    with open(log, "wb") as output:
        process = subprocess.Popen(command, stdout=output, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL)
        try:
            yield wait_for_address(process, log)
        finally:
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def free_port() -> int:
    """A port that is free now, below those that the system gives to tests beside this one."""
    for port in random.sample(range(20000, 30000), 100):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) != 0:
                return port
    raise AssertionError("none of a hundred ports is free")


def wait_for_address(process: subprocess.Popen, log: Path) -> str:
    """Wait until the server has printed its address."""
    for _ in range(2400):
        found = ADDRESS.search(log.read_text(errors="replace"))
        if found and answers(found[0]):
            return found[0]
        assert process.poll() is None, log.read_text(errors="replace")
        time.sleep(0.1)
    raise AssertionError(f"no address after four minutes: {log.read_text(errors='replace')}")


def answers(address: str) -> bool:
    """Whether the server is up."""
    try:
        return ask(address, "/api/sessions", with_key=True)[0] == 200
    except (urllib.error.URLError, OSError, http.client.HTTPException):
        return False


def ask(address: str, path: str, *, with_key: bool) -> tuple[int, object]:
    """Status and JSON of one request to the server."""
    base, key = address.partition("/lab")[0], address.rpartition("token=")[2]
    request = urllib.request.Request(base + path, headers={"Authorization": f"token {key}"} if with_key else {})
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status, json.loads(answer.read() or b"null")
    except urllib.error.HTTPError as error:
        return error.code, None


def wait_for(condition, seconds: float, what: str):
    """Wait until a condition gives something; its value."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = condition()
        if value:
            return value
        time.sleep(0.25)
    raise AssertionError(f"not within {seconds:g} s: {what}")
