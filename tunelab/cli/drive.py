"""`tunelab plan` and `follow`: before a drive, and while it is driven."""

from __future__ import annotations

import argparse
import difflib
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tunelab.cli import complain, say, say_folded

if TYPE_CHECKING:
    from tunelab.cli import Screen
    from tunelab.record.following import Following, Seen

STEPS = ("steady", "part-throttle", "full-throttle", "road", "coast-down", "launch", "link")
PLAN_DESCRIPTION = """\
With STEP: one sheet to print and take along: what to drive, in which gear and how fast, what to log,
when to stop and what the passenger watches, from the car's own numbers. Without STEP: name the holds
that are still to drive: gear, engine speed, airflow, about what throttle or brake, seconds. The owner's
limits are the authority; nothing goes past them.
"""
PLAN_EPILOG = """\
exit status: 0 done; 2 bad arguments or files that cannot be used
examples: tunelab plan full-throttle my-car --html sheet.html
          tunelab plan my-car --top-speed 90
"""


def add_plan(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "plan", help="name the holds that are still to drive", description=PLAN_DESCRIPTION, epilog=PLAN_EPILOG
    )
    parser.add_argument(
        "what",
        metavar="[STEP] [PATH]",
        nargs="*",
        help=f"a step ({', '.join(STEPS)}), then a workspace (default: here); without a step also a session's folder",
    )
    parser.add_argument(
        "--top-speed",
        metavar="KM_H",
        type=float,
        help="highest road speed that may be driven there, in km/h (default: the owner's limit)",
    )
    parser.add_argument("--html", metavar="FILE", help="write the plan as a page to print, in place of text")


def run_plan(arguments: argparse.Namespace) -> int:
    """Print the plan or write its page; the exit code."""
    step, path = _step_and_path(arguments.what)
    if step:
        return _print_sheet(step, path, arguments)
    from tunelab.record.plan import plan_for, plan_sentence, plan_table
    from tunelab.workspace import find_workspace, open_usable

    if path.exists() and open_usable(find_workspace(path)).car.has_table:
        return _plan_table(path, arguments)
    planned = plan_for(path, arguments.top_speed)
    if _is_page(planned, arguments):
        return 0
    say(planned.title + "\n")
    if planned.first:
        say(planned.first + "\n")
    say(plan_sentence(planned.plan) + "\n")
    if planned.plan.holds:
        table = plan_table(planned.plan)
        say(table.drop(columns="why").to_string(index=False, na_rep="-") + "\n")
        for why, rows in table.groupby("why", sort=False):
            say_folded(f"{', '.join(rows['no.'])}: {why}", hang=2)
        say()
    for sentence in (*planned.plan.notes, *planned.plan.cautions):
        say_folded(f"- {sentence}", hang=2)
    return 0


def _plan_table(path: Path, arguments: argparse.Namespace) -> int:
    """Plan in the cells of the table that the car's ECU takes the air from."""
    from tunelab.record.filling import plan_table_drive

    planned = plan_table_drive(path, arguments.top_speed)
    if _is_page(planned, arguments):
        return 0
    for line in planned.lines():
        say_folded(line, hang=2) if line.startswith("- ") else say(line)
    return 0


def _step_and_path(what: list[str]) -> tuple[str, Path]:
    """Tell a step from a path; a path named like a step is reached as ./steady."""
    step = what[0] if what and what[0] in STEPS else ""
    rest = what[1:] if step else what
    if len(rest) > 1:
        hint = difflib.get_close_matches(rest[0], STEPS, n=1)
        near = f"; the nearest is {hint[0]}" if hint else ""
        raise ValueError(f"{rest[0]!r} is no step (there are {', '.join(STEPS)}){near}; wanted STEP PATH, or PATH.")
    return step, Path(rest[0] if rest else ".")


def _print_sheet(step: str, path: Path, arguments: argparse.Namespace) -> int:
    from tunelab.record.step_sheet import print_sheet

    sheet = print_sheet(step, path, arguments.top_speed)
    if _is_page(sheet, arguments):
        return 0
    say(sheet.text())
    return 0


def _is_page(planned: Any, arguments: argparse.Namespace) -> bool:
    """Say what stands beside a plan; write it as a page where one is asked for, and say whether it was."""
    from tunelab.record.place import write_whole

    for sentence in planned.asides:
        complain(sentence)
    if arguments.html:
        write_whole(Path(arguments.html), planned.html())
        say(f"open {arguments.html}")
    return bool(arguments.html)


EVERY_S = 0.25
FIRST_RING_S = 2.0  # between two rings of the bell; each time twice as long
FOLLOW_DESCRIPTION = """\
Read a log that is still being written, for the passenger's laptop: is the link alive, was one of the
owner's limits passed, what of the plan is done and which hold is next. A help for a passenger, never
for the driver. Nothing is written to the log; stopped or killed and started again, it shows the same.
"""
FOLLOW_EPILOG = """\
Two seconds without a row are said loudly, with the bell. A limit that was passed is said at once, by
the rules of the record; what to do then is to lift, to coast and to end the run. The owner's limits
are the authority, and what is not logged is not watched. Stop it with Ctrl-C.

exit status: 0 done; 2 bad arguments, no session, or a file that cannot be followed
examples: tunelab follow my-car/sessions/2026-06-01-steady/log.csv
          tunelab follow D:/logger/today.csv --session my-car/sessions/2026-06-01-steady
"""


def add_follow(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "follow",
        help="watch a log while it is written (for a passenger)",
        description=FOLLOW_DESCRIPTION,
        epilog=FOLLOW_EPILOG,
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


def run_follow(arguments: argparse.Namespace) -> int:
    """Follow until stopped by hand; the exit code."""
    say(
        "tunelab follow: for the passenger, never for the driver. Opening the session ..."
    )  # what follows takes a while
    from tunelab.cli import Screen
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
