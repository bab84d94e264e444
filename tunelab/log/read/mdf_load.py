"""Loads an MDF file in a process of its own: python -m tunelab.log.read.mdf_load < log.mf4 > channels.npz

The library that decodes MDF is compiled, and damaged content can end the process that it runs in. It also works out a
file's formulas by running their text as code, opens files and databases that the file names, and starts programs. None
of that is wanted: the evaluators that it would use are not there when it is loaded, every rule is taken off its channel
before anything is read, so that the raw values come out, and `mdf_rule` makes physical values of them.
"""

from __future__ import annotations

import contextlib
import io
import json
import logging
import sys
import types
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from tunelab.log.read.mdf_rule import WAY_OUT, RuleError, apply_rule
from tunelab.log.read.raw import ReadError, most_unpacked, require_plausible_size
from tunelab.log.read.typed import REFUSED

_MASTERS = {3: (1,), 4: (2, 3)}  # channel types of a group's clock: MDF 3.3; MDF 4.1, master and virtual master
_TIME = 1  # MDF 4.1: a master that counts in seconds, not in angle, distance or numbers
_ROOM = 2 << 30  # bytes of address space that the libraries may still reserve
_FORBIDDEN = ("subprocess.", "os.system", "os.exec", "os.posix_spawn", "os.fork", "os.startfile", "socket.", "pickle.")


def main() -> None:
    """Load from standard input, write to standard output; damage ends it with a line on standard error."""
    _take_evaluators_away()
    from asammdf import MDF

    logging.getLogger("asammdf").setLevel(logging.CRITICAL + 1)
    content = sys.stdin.buffer.read()
    _bound_memory(len(content))
    sys.addaudithook(_refuse_to_act)
    options: dict[str, Any] = {"process_bus_logging": False}  # no database that is attached or named is read
    with (
        contextlib.redirect_stdout(io.StringIO()),
        MDF(io.BytesIO(content), **options) as mdf,
    ):
        require_plausible_size(_declared(mdf), len(content), "MDF")
        arrays, about, notes = _channels(mdf)
        start = mdf.header.start_time.timestamp()
    told = json.dumps({"start": start, "channels": about, "notes": notes}).encode()
    packed = io.BytesIO()
    contents: dict[str, Any] = {"told": np.frombuffer(told, dtype=np.uint8), **arrays}
    np.savez(packed, **contents)
    sys.stdout.buffer.write(packed.getvalue())


def _take_evaluators_away() -> None:
    """Put something that only refuses in the place of the packages with which the library would run a rule's text."""

    def evaluate(*_: object, **__: object) -> None:
        raise RuntimeError("a rule of the file was to be run as code")

    stand_in = types.ModuleType("numexpr")
    stand_in.evaluate = evaluate  # type: ignore[attr-defined]
    stand_in.__version__ = "0"  # type: ignore[attr-defined]
    sys.modules["numexpr"] = stand_in
    sys.modules["sympy"] = None  # type: ignore[assignment]


def _refuse_to_act(event: str, _: tuple[object, ...]) -> None:
    """From here on this process starts no program, talks to no other computer and unpickles nothing."""
    if event.startswith(_FORBIDDEN):
        raise RuntimeError(f"the file made its reader act ({event})")


def _bound_memory(packed: int) -> None:
    """Bound memory and temporary files, where the system can: what a file says of its sizes may be false."""
    try:
        import resource

        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    except (ImportError, OSError):  # not Linux: what the file says is all that is compared with the bound
        return
    taken = pages * resource.getpagesize()  # address space, of which the libraries reserve much
    most = {resource.RLIMIT_AS: taken + _ROOM + 4 * most_unpacked(packed), resource.RLIMIT_FSIZE: most_unpacked(packed)}
    for kind, wanted in most.items():
        hard = resource.getrlimit(kind)[1]
        resource.setrlimit(kind, (wanted if hard == resource.RLIM_INFINITY else min(wanted, hard), hard))


def _declared(mdf: Any) -> int:
    """Bytes that the groups say they hold, and those that their channels take as numbers."""
    total = 0
    for group in mdf.groups:
        record = group.channel_group.samples_byte_nr + len(group.channels)
        blocks = sum(int(block.original_size or 0) for block in group.data_blocks)
        total += max(group.channel_group.cycles_nr * record, blocks)
    return total


def _channels(mdf: Any) -> tuple[dict[str, np.ndarray], list[dict[str, str]], list[str]]:
    """Every one-dimensional channel that is not a group's clock: its arrays, what it is, and what was left out."""
    version = 4 if str(mdf.version) >= "4" else 3
    rules = _take_rules_off(mdf)
    arrays: dict[str, np.ndarray] = {}
    about: list[dict[str, str]] = []
    notes: list[str] = []
    for group, index, channel in _readings(mdf, version):
        signal = mdf.get(group=group, index=index, raw=True)
        left_out, times, values = _physical(mdf, signal, rules, (group, index), version)
        if left_out:
            notes.append(f"channel {channel.name!r} {left_out}")
            continue
        number = len(about)
        arrays[f"time{number}"], arrays[f"value{number}"] = times, values
        if signal.invalidation_bits is not None:
            arrays[f"invalid{number}"] = np.asarray(signal.invalidation_bits, dtype=bool)
        about.append({"name": str(signal.name), "unit": rules[group, index][1]})
    return arrays, about, notes


def _readings(mdf: Any, version: int) -> Iterator[tuple[int, int, Any]]:
    for group in range(len(mdf.groups)):
        for index, channel in enumerate(mdf.groups[group].channels):
            if channel.channel_type not in _MASTERS[version]:
                yield group, index, channel


def _take_rules_off(mdf: Any) -> dict[tuple[int, int], tuple[Any, str]]:
    """Take rule, and whatever is attached, off every channel; give each one's rule and unit."""
    rules = {}
    for group, held in enumerate(mdf.groups):
        for index, channel in enumerate(held.channels):
            rule = channel.conversion
            unit = str((rule and rule.unit) or getattr(channel, "unit", "") or "")
            rules[group, index] = rule, unit
            channel.conversion = None
            if hasattr(channel, "attachment"):
                channel.attachment = None
    return rules


def _physical(
    mdf: Any, signal: Any, rules: dict[tuple[int, int], tuple[Any, str]], place: tuple[int, int], version: int
) -> tuple[str, np.ndarray, np.ndarray]:
    """Why a channel is left out, or its time stamps and physical values."""
    nothing = np.zeros(0)
    if not len(signal.timestamps):
        return "is empty and was left out", nothing, nothing
    if np.ndim(signal.samples) != 1 or signal.samples.dtype.names:
        return "holds more than one number a sample and was left out", nothing, nothing
    if signal.samples.dtype.kind not in "fiubSUO":
        return f"holds {signal.samples.dtype}, no numbers or text, and was left out", nothing, nothing
    clock, what = _clock(mdf, place[0])
    if what:
        return f"{what} and was left out", nothing, nothing
    try:
        times = np.asarray(apply_rule(rules[clock][0], np.asarray(signal.timestamps), version), dtype=float)
    except RuleError as error:
        return f"has a clock whose conversion rule {error}, and was left out; {WAY_OUT}", nothing, nothing
    try:
        values = apply_rule(rules[place][0], _plain(signal.samples), version)
    except RuleError as error:
        return f"has a conversion rule that {error}, and was left out; {WAY_OUT}", nothing, nothing
    return "", times, values if values.dtype.kind == "U" else values.astype(float)


def _clock(mdf: Any, group: int) -> tuple[tuple[int, int], str]:
    """Where the clock of a group stands, or why it has none in seconds."""
    held, seen = mdf.groups[group].channel_group, set()
    while getattr(held, "cg_master_index", None) is not None and group not in seen:  # MDF 4.2: another group's clock
        seen.add(group)
        group = held.cg_master_index
        held = mdf.groups[group].channel_group
    index = mdf.masters_db.get(group)
    if index is None:
        return (group, -1), "belongs to a group without a clock"
    if getattr(mdf.groups[group].channels[index], "sync_type", _TIME) != _TIME:
        return (group, index), "belongs to a group whose clock does not count in seconds"
    return (group, index), ""


def _plain(samples: np.ndarray) -> np.ndarray:
    """Numbers as they are, or text."""
    if samples.dtype.kind in "SUO":
        return np.array([v.decode("utf-8", "replace") if isinstance(v, bytes) else str(v) for v in samples], dtype=str)
    return samples


if __name__ == "__main__":
    try:
        main()
    except ReadError as error:
        sys.stderr.write(str(error))
        sys.exit(REFUSED)
