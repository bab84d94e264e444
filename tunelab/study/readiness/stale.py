"""Which drives do not count any more, and why: a revision, another wiring or another limit came after them."""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from tunelab.study.readiness.gate import (
    MEASURED_FROM,
    NO_CURE,
    Drive,
    Gate,
    needs_word,
    other_limit,
    other_setting,
    touched_by_part,
    touches,
)
from tunelab.study.revision_change import Way, curve_difference, dead_time_difference, differences, way_between
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

# Words of a note that name what no table of a revision holds.
SPOKEN_OF = re.compile(r"\b(spark|ignition|knock|boost|commanded lambda|target lambda|leaner|richer)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Emptied:
    """A drive that answered a gate and does not any more.

    `may_cure` tells a change that is written down and may have ended a stop from one that nobody wrote down.
    """

    record: str
    because: str
    way_out: str
    may_cure: bool = False


@dataclass(frozen=True)
class Now:
    """What drives are compared with: the car as it is."""

    car: Car
    revisions: Mapping[str, Revision]
    revision: str  # in the car
    wiring: str  # in the car
    answers: dict[Hashable, Any] = field(default_factory=dict, repr=False, compare=False)  # given before

    def once(self, key: Hashable, answer: Callable[[], Any]) -> Any:
        """Give an answer that was given before, or make it: hundreds of drives are asked the same again and again."""
        if key not in self.answers:
            self.answers[key] = answer()
        return self.answers[key]


def why_emptied(gate: Gate, drive: Drive, now: Now) -> Emptied | None:
    """Say why a drive does not count for a gate any more; None where it does."""
    key = ("emptied", gate.name, id(drive), now.revision, now.wiring)
    return now.once(key, lambda: _why_emptied(gate, drive, now))


def _why_emptied(gate: Gate, drive: Drive, now: Now) -> Emptied | None:
    if emptied := why_touched(gate, drive, now):
        return emptied
    found = [f for f in map(drive.finding, (*gate.ids, *gate.also)) if f is not None and f.status != "not_shown"]
    for finding in found:
        whole = drive.finding(MEASURED_FROM[finding.id][0]) if finding.id in MEASURED_FROM else None
        if because := other_limit(finding, now.car) or other_setting(finding, whole, now.car):
            return Emptied(drive.record, because, "Record that session again.")
    return None


def why_touched(gate: Gate, drive: Drive, now: Now) -> Emptied | None:
    """Say what was changed since that touches a gate, or that nobody says; None where nothing was.

    What counts is what the two revisions hold, where the drive went: a curve changed only at high flow leaves the idle
    as it was shown. What no table holds adds up over the revisions between the two.
    """
    again = f"Drive the step {' or '.join(gate.steps)} again."
    if "wiring" in gate.touched_by and drive.wiring != now.wiring:
        because = f"another wiring was in the car: {drive.wiring or 'not named'}"
        return Emptied(drive.record, because, again, may_cure=True)
    before, after = now.revisions.get(drive.revision), now.revisions[now.revision]
    if before is None:
        return Emptied(drive.record, f"its revision {drive.revision} is not in the workspace", again)
    if drive.revision == now.revision:
        return None
    way = now.once(("way", before.name, after.name), lambda: way_between(before, after, now.revisions))
    tables = _tables_changed(gate, drive, now)
    stated = [item for item in way.stated if touches(item.change, gate)]
    changed = [f"{now.revision} changed it: {'; '.join(tables)}"] if tables else []
    changed += [item.sentence for item in stated]
    if changed:
        may_cure = bool(tables) or any(item.change.kind not in NO_CURE for item in stated)
        return Emptied(drive.record, "; ".join(changed), again, may_cure)
    if (way.broken_at and gate.touched_by != {"wiring"}) or (way.silent and needs_word(gate)):
        return Emptied(drive.record, *_unsaid(way, drive.revision, now.revision))
    return None


def _tables_changed(gate: Gate, drive: Drive, now: Now) -> list[str]:
    """Say what the tables of a drive's revision and the one in the car hold that differs and touches a gate."""
    before, after = now.revisions[drive.revision], now.revisions[now.revision]
    between = now.once(("differences", before.name, after.name), lambda: differences(before, after))
    found = [d for d in between if touched_by_part(d.part, gate) and d.part not in ("curve", "dead_time")]
    found = [d for d in found if d.part != "rev_limit" or d.change > 0]
    if "curve" in gate.touched_by:
        found.append(curve_difference(before, after, drive.reach.readings_of(gate.region)))
    if "dead_time" in gate.touched_by:
        found.append(dead_time_difference(before, after, drive.reach.battery_v))
    return [difference.sentence for difference in found if difference is not None]


def _unsaid(way: Way, before: str, after: str) -> tuple[str, str]:
    """Say what nobody has written down of the way from one revision to another, and where to write it."""
    if way.broken_at:
        return (
            f"no chain of based_on leads from {before} to {after}, so what was changed between them is not known",
            f"Write based_on in revisions/{way.broken_at}.toml, and also_changed beside it.",
        )
    names = " and ".join(way.silent)
    does = "does" if len(way.silent) == 1 else "do"
    files = ", ".join(f"revisions/{name}.toml" for name in way.silent)
    return (
        f"{names} {does} not say what else was changed",
        f"Write also_changed in {files}: each change, or [] for none.",
    )


def asked(revisions_driven: Iterable[str], now: Now) -> tuple[str, ...]:
    """Ask for what the revisions between each driven one and the one in the car leave unsaid, each thing once.

    A revision that says that nothing else was changed is asked too where its own notes speak of such a thing.
    """
    after = now.revisions[now.revision]
    befores = [now.revisions[name] for name in dict.fromkeys(revisions_driven) if name in now.revisions]
    ways = [(before.name, way_between(before, after, now.revisions)) for before in befores if before.name != after.name]
    if after.based_on:
        is_said = after.also_changed is not None
        ways.append((after.based_on, Way(denied=(after.name,)) if is_said else Way(silent=(after.name,))))
    broken = [_unsaid(way, name, after.name) for name, way in ways if way.broken_at]
    silent = dict.fromkeys(name for _, way in ways for name in way.silent)
    found = [*broken, *(_unsaid(Way(silent=(name,)), "", "") for name in silent)]
    said = [f"{because.replace('no chain', 'No chain', 1)}. {way_out}" for because, way_out in found]
    said += [_against_notes(now.revisions[name]) for _, way in ways for name in way.denied]
    return tuple(sentence for sentence in dict.fromkeys(said) if sentence)


def _against_notes(revision: Revision) -> str:
    """Ask about a revision that states no other change while its notes name one; empty where they do not."""
    named = SPOKEN_OF.search(revision.notes)
    if revision.stated_changes or revision.spark or revision.full_load_fuel or named is None:
        return ""
    return (
        f"{revision.name} says that nothing else was changed, and its notes speak of {named.group().lower()!r}. If "
        f"that was changed, write it into also_changed of revisions/{revision.name}.toml."
    )
