"""What a passenger sees: a screen drawn in place that fits, and plain lines where no terminal reads it."""

import io
import os
import pty
import re
import select
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from followed_log import PULLS, content, workspace

from tunelab import cli as module
from tunelab.cli import BELL, LETTERS, ROWS, Screen, large
from tunelab.cli.drive import Bell

ROWS_SHOWN = [("link", "alive, 3 rows, coolant 88 °C – " + "a word and " * 12), ("", "more"), ("next", "2: gear 3")]


class Terminal(io.TextIOWrapper):
    """A terminal that keeps what it is given."""

    def __init__(self, encoding):
        super().__init__(io.BytesIO(), encoding=encoding, write_through=True)

    def isatty(self):
        return True

    def shown(self):
        return self.buffer.getvalue().decode(self.encoding)


def drawn(monkeypatch, size, encoding="utf-8"):
    monkeypatch.setattr(module.shutil, "get_terminal_size", lambda: os.terminal_size(size))
    terminal = Terminal(encoding)
    screen = Screen(terminal)
    for _ in range(2):
        screen.show("For the passenger. log.csv", [("NO DATA 3 S", True), ("G3 2500 2/6S", False)], ROWS_SHOWN, "End.")
    return terminal.shown()


@pytest.mark.parametrize("size", [(200, 60), (80, 24), (39, 20), (25, 12), (80, 8)])
def test_a_screen_fits_and_is_drawn_in_the_same_place(monkeypatch, size):
    monkeypatch.delenv("NO_COLOR", raising=False)
    text = drawn(monkeypatch, size)
    frames = text.split("\x1b[H")[1:]
    assert len(frames) == 2
    assert text.count("\x1b[2J") == 1
    for frame in frames:
        lines = re.sub(r"\x1b\[[0-9;]*[A-Za-z]", "", frame).split("\n")
        assert len(lines) <= size[1]
        assert max(map(len, lines)) < size[0]
    assert ("█" in text) == (size[1] > 12)


def test_nothing_is_switched_that_would_stay_after_a_kill(monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    text = drawn(monkeypatch, (80, 30))
    assert "\x1b[?" not in text  # private modes of ECMA-48: other screen, hidden cursor
    for line in text.split("\n"):
        loud, calm = line.rfind("\x1b[1;7m"), line.rfind("\x1b[0m")
        assert loud <= calm


def test_no_colour_and_an_old_code_page_are_respected(monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    text = drawn(monkeypatch, (80, 30), "cp1252")
    assert "\x1b[1;7m" not in text
    assert "██" not in text
    assert "##" in text
    assert "88 °C –" in text
    assert "coolant 88 ?C" in drawn(monkeypatch, (80, 30), "ascii")


def test_large_letters_are_five_rows_and_words_stay_where_there_is_no_room():
    assert all(re.fullmatch(r"[0-7]{5}", rows) for rows in LETTERS.values())
    assert len(set(LETTERS.values())) == len(LETTERS)
    assert [len(large("LIFT", width, "#")) for width in (80, 20, 10)] == [ROWS, ROWS, 1]
    assert large("NO DATA 40 S", 37, "#") == large("NO DATA", 37, "#")
    assert large("L1", 10, "#") == ["#    #", "#   ##", "#    #", "#    #", "### ###"]
    assert large("LIFT", 3, "#") == ["LIF"]


def test_elsewhere_only_what_changed_is_written():
    out = io.StringIO()
    screen = Screen(out)
    screen.tell(["link: LINK OK", "hold 1 done"])
    screen.tell(["link: LINK OK", "hold 1 done", "hold 2\x1b[2J done"])
    screen.ring()
    assert out.getvalue() == "link: LINK OK\nhold 1 done\nhold 2?[2J done\n"


class Silent:
    """What the bell asks of what is seen."""

    link, behind = "silent", 0

    def __init__(self, silent_s):
        self.silent_s = silent_s
        self.so_far = type("SoFar", (), {"passed": []})


def test_the_bell_rings_at_once_and_then_at_longer_and_longer_intervals():
    bell = Bell()
    rings = [second for second in (x / 4 for x in range(8, 140)) if bell.is_due(Silent(second))]
    assert rings == [2.0, 4.0, 8.0, 16.0, 32.0]


def test_help_says_whom_it_is_for():
    done = subprocess.run([sys.executable, "-m", "tunelab", "follow", "--help"], capture_output=True, text=True)
    assert "A help for a passenger, never\nfor the driver" in done.stdout


def write_in_bursts(log: Path, go_on: threading.Event):
    lines = content(PULLS).splitlines(keepends=True)
    with open(log, "ab", buffering=0) as handle:
        handle.write(lines[0])
        row = 1
        while not go_on.is_set():
            burst = b"".join(lines[row : row + 9])
            handle.write(burst[:-30])
            time.sleep(0.2)
            handle.write(burst[-30:])
            row += 9


def read_until(terminal: int, wanted: bytes, seen: bytes = b"", seconds: float = 120.0) -> bytes:
    end = time.monotonic() + seconds
    while wanted not in seen and time.monotonic() < end:
        if select.select([terminal], [], [], 0.2)[0]:
            seen += os.read(terminal, 65536)
    return seen


def test_on_a_terminal_rows_in_bursts_are_alive_and_silence_rings(tmp_path):
    log, go_on = workspace(tmp_path / "my-car"), threading.Event()
    terminal, side = pty.openpty()
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "100", "LINES": "30"}
    command = [sys.executable, "-m", "tunelab", "follow", str(log)]
    process = subprocess.Popen(command, stdin=side, stdout=side, stderr=side, env=environment)
    writer = threading.Thread(target=write_in_bursts, args=(log, go_on))
    try:
        seen = read_until(terminal, b"waiting")
        assert b"there is no such file yet" in seen
        writer.start()
        alive = read_until(terminal, b"alive")
        assert b"alive" in alive
        go_on.set()
        writer.join()
        silent = read_until(terminal, b"SILENT")
        assert b"SILENT" in silent
        assert BELL.encode() in silent
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 0
    finally:
        go_on.set()
        process.kill()
        process.wait()
        os.close(side)
        os.close(terminal)
