"""`tunelab follow`: a log read while it is still being written."""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING

from tunelab.cli.terminal import complain, say

if TYPE_CHECKING:
    from tunelab.cli.terminal import Screen
    from tunelab.record.following import Following, Seen

EVERY_S = 0.25
FIRST_RING_S = 2.0  # between two rings of the bell; each time twice as long
DESCRIPTION = """\
Read a log that is still being written, for the passenger's laptop: is the link alive, was one of the
owner's limits passed, what of the plan is done and which hold is next. A help for a passenger, never
for the driver. Nothing is written to the log; stopped or killed and started again, it shows the same.
"""
EPILOG = """\
Two seconds without a row are said loudly, with the bell. A limit that was passed is said at once, by
the rules of the record; what to do then is to lift, to coast and to end the run. The owner's limits
are the authority, and what is not logged is not watched. Stop it with Ctrl-C.

exit status: 0 done; 2 bad arguments, no session, or a file that cannot be followed
examples: tunelab follow my-car/sessions/2026-06-01-steady/log.csv
          tunelab follow D:/logger/today.csv --session my-car/sessions/2026-06-01-steady
"""


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "follow",
        help="watch a log while it is written (for a passenger)",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("log", metavar="LOG", help="the file that the logger writes: delimited text; it may come later")
    parser.add_argument(
        "--session", metavar="FOLDER", help="the session that the log is of (default: the folder that it lies in)"
    )
    parser.add_argument(
        "--top-speed",
        metavar="KM_H",
        type=float,
        help="highest road speed that may be driven there, in km/h (default: the owner's limit)",
    )
    parser.add_argument(
        "--silent",
        metavar="SECONDS",
        type=float,
        default=2.0,
        help="time without a row that is said loudly (default: 2); more for a logger that writes in bursts",
    )
    parser.add_argument("--once", action="store_true", help="show what is in the log now, and leave")
    return parser


def run(arguments: argparse.Namespace) -> int:
    """Follow until stopped by hand; the exit code."""
    say(
        "tunelab follow: for the passenger, never for the driver. Opening the session ..."
    )  # what follows takes a while
    from tunelab.cli.terminal import Screen
    from tunelab.record.following import Following, session_of

    if not arguments.silent > 0:
        raise ValueError(f"--silent is {arguments.silent:g}; a time above zero is wanted, in seconds.")
    opened = session_of(Path(arguments.log), Path(arguments.session) if arguments.session else None)
    for sentence in opened.workspace.left_out():
        complain(sentence)
    following = Following(Path(arguments.log), opened, arguments.top_speed, arguments.silent)
    screen = Screen()
    if arguments.once:
        return _show_once(following, screen)
    try:
        _follow(following, screen)
    except KeyboardInterrupt:
        screen.leave()
    return 0


def _show_once(following: Following, screen: Screen) -> int:
    following.wait_for_plan()
    seen = following.look()
    while seen.behind:
        seen = following.look()
    screen.tell(_plain_lines(seen))
    return 0


def _follow(following: Following, screen: Screen) -> None:
    bell = Bell()
    while True:
        seen = following.look()
        if bell.is_due(seen):
            screen.ring()
        _show(screen, seen, following.log.name)
        if not seen.behind:
            time.sleep(EVERY_S)


def _show(screen: Screen, seen: Seen, name: str) -> None:
    from tunelab.record.following import DO, PASSENGER

    if not screen.is_drawn:
        screen.tell(_events(seen))
        return
    is_alarm = seen.lift is not None or seen.link in ("silent", "still", "ended")
    words = [(seen.word(), is_alarm), *([(_call(seen), False)] if _call(seen) else [])]
    screen.show(f"{PASSENGER} {name}", words, seen.lines(), f"At any limit: {DO} Ctrl-C stops this, not the logger.")


def _call(seen: Seen) -> str:
    """What the passenger calls to the driver, as short as it can be; nothing while there is another thing to do."""
    own = seen.next
    if own is None or seen.lift is not None or seen.link not in ("alive", "reading"):
        return ""
    gear = "ANY" if own.hold.gear is None else "N" if own.hold.gear == 0 else f"G{own.hold.gear}"
    return f"{gear} {own.hold.engine_speed_rpm:.0f} {own.have_s:.0f}/{own.want_s:.0f}S"


def _plain_lines(seen: Seen) -> list[str]:
    return [f"{label:9}{text}" for label, text in seen.lines()]


def _events(seen: Seen) -> list[str]:
    """What is worth a line of its own where nothing is drawn: words that change only when something happened."""
    from tunelab.record.following import hold_words, passed_words

    lines = [f"link: {seen.word().split(' DATA ')[0]} {seen.link}"]
    lines += [passed_words(own).partition(", at ")[0] for own in seen.so_far.passed]
    lines += [f"hold {own.number} done" for own in seen.holds if own.is_done]
    lines += [f"next: {hold_words(seen.next).partition('; has')[0]}"] if seen.next else []
    return lines


class Bell:
    """When to ring: as the link falls silent, again and again at longer intervals, and at every new breach."""

    def __init__(self) -> None:
        self._next_s = 0.0
        self._passed: dict[str, int] = {}

    def is_due(self, seen: Seen) -> bool:
        """Whether the bell is due now."""
        passed = {own.quantity.id: round(own.last_s) for own in seen.so_far.passed if own.status == "stop"}
        is_new, self._passed = any(at != self._passed.get(name) for name, at in passed.items()), passed
        if seen.link not in ("silent", "still"):
            self._next_s = 0.0
            return is_new and not seen.behind
        lasting = seen.silent_s if seen.link == "silent" else seen.so_far.still_s
        if lasting < self._next_s:
            return is_new
        self._next_s = max(2 * lasting, lasting + FIRST_RING_S)
        return True
