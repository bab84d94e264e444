"""Do the nearest tests notice a small change of the code?

    python tests/bench/mutants.py tunelab/study/limits.py tunelab/log --tests tests/study tests/log

Draws changes at random (a comparison, a sign, a constant, a boolean, a smaller for a larger, a status) and runs for
each, in a process of its own, the quick tests that call the changed function. Words of messages are left alone. Prints
what no test noticed, then counts by module.
"""

from __future__ import annotations

import argparse
import ast
import functools
import importlib
import inspect
import os
import pickle
import random
import signal
import sys
import tempfile
import time
import traceback
import types
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parents[2]
PACKAGE = str(HERE / "tunelab")
TRUE, FALSE, FAILED = 70, 71, 72  # exit codes
SWAPS = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Add: ast.Sub, ast.Sub: ast.Add,
    ast.Mult: ast.Div, ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And, ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd, ast.USub: ast.UAdd, ast.FloorDiv: ast.Div,
}  # fmt: skip
TURNED = {ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt}
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any", "minimum": "maximum", "maximum": "minimum"}
NAMES |= {"fmin": "fmax", "fmax": "fmin", "nanmin": "nanmax", "nanmax": "nanmin"}
NAMES |= {"argmin": "argmax", "argmax": "argmin"}
NAMES |= {"ceil": "floor", "floor": "ceil", "logical_and": "logical_or", "logical_or": "logical_and"}
STATUSES = {"met": "watch", "watch": "met", "stop": "watch", "not_shown": "met"}
LEFT_ALONE = {"axis", "dtype", "strict", "encoding", "maxsize", "errors", "frozen", "slots", "stacklevel", "seed"}
"""Keywords whose change is no change of what is calculated, or stops at once."""
QUICK_S = 1.0
"""A test that takes longer is left out. [s of processor time]"""


Seen = dict[str, tuple[float, set[tuple[str, str]]]]
"""Of each quick test the seconds that it takes and the functions that it calls, by file and name."""


@dataclass
class Change:
    """One small change: which node of the module, in the order of `nodes`, what is done to it, and where it stands."""

    place: int
    turn: Callable[[ast.AST], None]
    line: int
    function: str | None
    text: str


def is_words(node: ast.AST) -> bool:
    """Whether a node only says something: a message, a keyword that calculates nothing, a function of text."""
    if isinstance(node, ast.FunctionDef) and node.returns is not None:
        return ast.unparse(node.returns).split(" | ")[0] in ("str", "list[str]", "tuple[str, ...]")
    return isinstance(node, ast.JoinedStr | ast.Raise) or (isinstance(node, ast.keyword) and node.arg in LEFT_ALONE)


def nodes(
    tree: ast.AST, within: tuple[str, ...] = (), inside: str | None = None
) -> Iterator[tuple[ast.AST, str | None]]:
    """Nodes that may be changed, depth first, each with the qualified name of the function that it stands in."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list"):
            continue
        for node in value if isinstance(value, list) else [value]:
            if not isinstance(node, ast.AST) or is_words(node):
                continue
            here, function = within, inside
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and inside is None:
                here = (*within, node.name)
                function = ".".join(here) if isinstance(node, ast.FunctionDef) else None
            yield node, function
            yield from nodes(node, here, function)


def put(part: str, value: object) -> Callable[[ast.AST], None]:
    """Set a part of a node."""
    return lambda node: setattr(node, part, value)


def turns(node: ast.AST) -> Iterator[tuple[Callable[[ast.AST], None], str]]:
    """All small changes of one node, with what each does in a few words."""
    if isinstance(node, ast.Compare):
        first = type(node.ops[0])
        for kind in filter(None, (SWAPS.get(first), TURNED.get(first))):
            yield put("ops", [kind(), *node.ops[1:]]), f"{first.__name__} -> {kind.__name__}"
    elif isinstance(node, ast.BinOp | ast.BoolOp | ast.AugAssign | ast.UnaryOp) and type(node.op) in SWAPS:
        kind = SWAPS[type(node.op)]
        yield put("op", kind()), f"{type(node.op).__name__} -> {kind.__name__}"
    elif isinstance(node, ast.If | ast.IfExp | ast.While):
        yield (lambda node: setattr(node, "test", ast.UnaryOp(ast.Not(), node.test))), "condition turned"
    elif isinstance(node, ast.Constant):
        for value in other_values(node.value):
            yield put("value", value), f"{node.value!r} -> {value!r}"
    elif isinstance(node, ast.Name | ast.Attribute):
        part = "id" if isinstance(node, ast.Name) else "attr"
        if other := NAMES.get(getattr(node, part)):
            yield put(part, other), f"{getattr(node, part)} -> {other}"


def other_values(value: object) -> list[object]:
    """Other values for a constant; none for text that is no status."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int):
        return [value + 1, value - 1] if abs(value) < 10 else [round(value * 1.5), round(value / 1.5)]
    if isinstance(value, float):
        return [value * 1.5, value / 1.5] if value else [1.0]
    return [STATUSES[value]] if value in STATUSES else []


def changes(source: str) -> list[Change]:
    """Every small change of a module, in the order of its text."""
    lines = source.splitlines()
    return [
        Change(place, turn, node.lineno, function, f"{what:20} {lines[node.lineno - 1].strip()}")
        for place, (node, function) in enumerate(nodes(ast.parse(source)))
        if hasattr(node, "lineno")
        for turn, what in turns(node)
    ]


def transplant(old: object, new: object) -> None:
    """Give a function, property or class that others hold already the code of its changed twin."""
    if isinstance(old, type):
        for name, value in list(vars(old).items()):
            if name in vars(new) and not isinstance(value, type):
                transplant(value, vars(new)[name])
        return
    for part in ("fget", "func", "__func__"):
        if hasattr(old, part) and not isinstance(old, types.FunctionType):
            return transplant(getattr(old, part), getattr(new, part))
    if callable(old):
        old, new = inspect.unwrap(old), inspect.unwrap(new)
    if isinstance(old, types.FunctionType) and len(old.__code__.co_freevars) == len(new.__code__.co_freevars):
        old.__code__, old.__defaults__, old.__kwdefaults__ = new.__code__, new.__defaults__, new.__kwdefaults__


def is_other(old: object, new: object) -> bool:
    """Whether a constant has another value; what is shown by its address only is taken as the same."""
    return repr(old) != repr(new) and " at 0x" not in repr(old)


def put_in(path: Path, change: Change) -> None:
    """Change a module that is loaded already, and constants that others took from it."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    change.turn(next(node for place, (node, _) in enumerate(nodes(tree)) if place == change.place))
    name = ".".join(path.relative_to(HERE).with_suffix("").parts).removesuffix(".__init__")  # else a second copy
    module = importlib.import_module(name)
    twin = types.ModuleType(module.__name__)
    twin.__dict__.update(__file__=str(path), __package__=module.__package__)
    exec(compile(ast.fix_missing_locations(tree), str(path), "exec"), twin.__dict__)
    for name, old in list(vars(module).items()):
        new = vars(twin).get(name)
        if getattr(old, "__module__", None) == module.__name__:
            transplant(old, new)
        elif change.function is None and not name.startswith("__") and is_other(old, new):
            for other in list(sys.modules.values()):
                if getattr(other, "__dict__", {}).get(name) is old:
                    setattr(other, name, new)


def in_fork(work: Callable[[], bool], limit_s: float) -> bool | None:
    """What `work` says in a process of its own; None where it took too long or the process fell."""
    child = os.fork()
    if not child:
        signal.setitimer(signal.ITIMER_PROF, limit_s)
        signal.alarm(int(20 * limit_s))
        code = FAILED
        try:
            code = TRUE if work() else FALSE
        except BaseException:  # noqa: BLE001 - the parent says that it failed
            traceback.print_exc()
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status) or os.WEXITSTATUS(status) not in (TRUE, FALSE, FAILED):
        return None
    if os.WEXITSTATUS(status) == FAILED:
        raise RuntimeError("the sampler itself failed in a process of its own; see above")
    return os.WEXITSTATUS(status) == TRUE


def said(path: Path, change: Change) -> str:
    """A change as one line: where it is, what is done, and the code there without its indent."""
    return f"{path.relative_to(HERE).as_posix()} {change.text}"


def stop(*_: object) -> None:
    raise TimeoutError


def note(calls: set[tuple[str, str]], frame: types.FrameType, _event: str, _arg: object) -> None:
    """Note the function of a call, where it is the package's."""
    if frame.f_code.co_filename.startswith(PACKAGE):
        calls.add((frame.f_code.co_filename, frame.f_code.co_qualname.split(".<locals>")[0]))


def rows_of(seen: Path) -> Iterator[tuple[str, tuple[float, set[tuple[str, str]]] | None]]:
    """Rows that `Sampler.observe` wrote down."""
    with seen.open("rb") as content:
        while content.peek(1):
            yield pickle.load(content)


@dataclass
class Sampler:
    """A plugin of pytest that collects the tests, sees what each calls, and tries changes on them."""

    paths: list[Path]
    draw: int
    seed: int
    seconds: float
    seen: Path
    again: set[str]
    out: object
    failed: bool = False
    sound: dict[tuple[str, ...], bool] = field(default_factory=dict)
    counts: dict[Path, Counter] = field(default_factory=lambda: defaultdict(Counter))

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.failed |= report.failed

    def observe(self, items: list[pytest.Item]) -> bool:
        """Write down the seconds of each test and the functions of the package that it calls; None for a slow one."""
        signal.signal(signal.SIGVTALRM, stop)
        for item, after in zip(items, [*items[1:], None], strict=True):
            self.failed, calls, begin = False, set(), time.process_time()
            signal.setitimer(signal.ITIMER_VIRTUAL, 1.5 * QUICK_S)
            sys.setprofile(functools.partial(note, calls))
            try:
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
            except TimeoutError:
                self.failed = True
            finally:
                sys.setprofile(None)
                signal.setitimer(signal.ITIMER_VIRTUAL, 0)
            what = None if self.failed else (time.process_time() - begin, calls)
            with self.seen.open("ab") as out:
                pickle.dump((item.nodeid, what), out)
        return True

    def kept(self, items: list[pytest.Item]) -> Seen:
        """What `observe` saw of quick tests; those of an earlier run with the same `--seen` are not run again."""
        known = dict(rows_of(self.seen))
        if new := [item for item in items if item.nodeid not in known]:
            in_fork(lambda: self.observe(new), 3600)
            known = dict(rows_of(self.seen))
        return {item.nodeid: known[item.nodeid] for item in items if known.get(item.nodeid)}

    def fails(self, items: list[pytest.Item], path: Path, change: Change | None) -> bool:
        """Whether a test fails once the change is in; without a change none may."""
        self.failed = False
        try:
            if change:
                put_in(path, change)
        except Exception as error:  # noqa: BLE001 - a module that no longer loads is noticed by every test
            print(f"{said(path, change)}   does not load: {error!r}", file=self.out, flush=True)
            return True
        for item, after in zip(items, [*items[1:], None], strict=True):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
            if self.failed:
                return True
        return False

    def chosen(self, items: list[pytest.Item], seen: Seen, path: Path, change: Change) -> list[pytest.Item]:
        """Quick tests that call the changed function (for a constant: any of the module), at most `seconds` of them.

        First come those whose file is named as the module or its folder, then others, both in a drawn order.
        """
        own = {f"test_{path.stem}", f"test_{path.parent.name}"}
        called = [
            item
            for item in random.Random(self.seed).sample(items, len(items))
            if item.nodeid in seen
            and any(file == str(path) and change.function in (None, name) for file, name in seen[item.nodeid][1])
        ]
        spent, near = 0.0, []
        for item in sorted(called, key=lambda item: item.path.stem not in own):
            spent += seen[item.nodeid][0]
            if spent <= self.seconds or not near:
                near.append(item)
        return sorted(near, key=lambda item: str(item.path))

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Try the drawn changes of every module; print those that no test noticed."""
        seen = self.kept(session.items)
        print(f"{len(seen)} of {len(session.items)} tests are quick", file=self.out, flush=True)
        for path in self.paths:
            every = changes(path.read_text(encoding="utf-8"))
            drawn = random.Random(f"{self.seed} {path.name}").sample(every, min(self.draw, len(every)))
            for change in drawn:
                if not self.again or said(path, change) in self.again:
                    self.try_one(self.chosen(session.items, seen, path, change), path, change)
            print(f"= {path.relative_to(HERE)}: {dict(self.counts[path])} of {len(every)}", file=self.out, flush=True)
        total = sum(self.counts.values(), Counter())
        print(f"caught {total['caught']} of {total.total()}", file=self.out, flush=True)
        return True

    def try_one(self, near: list[pytest.Item], path: Path, change: Change) -> None:
        """Count one change as caught or survived; a test that no longer ends has noticed it."""
        limit_s, names = 3 * self.seconds + 5, tuple(item.nodeid for item in near)
        if names not in self.sound:
            self.sound[names] = in_fork(lambda: self.fails(near, path, None), limit_s) is False
        if not self.sound[names]:
            print(f"{said(path, change)}   left out: its tests fail without it", file=self.out, flush=True)
            return
        is_caught = bool(near) and in_fork(lambda: self.fails(near, path, change), limit_s) is not False
        self.counts[path]["caught" if is_caught else "survived"] += 1
        if not is_caught:
            print(f"{said(path, change)}   [{len(near)} tests]", file=self.out, flush=True)


def main() -> None:
    """Read the arguments and start pytest with the sampler in it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("place", nargs="+", help="module or folder of the package")
    parser.add_argument("--tests", nargs="+", required=True, help="test files or folders")
    parser.add_argument("--draw", type=int, default=15, help="changes of each module (default: 15)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=4.0, help="processor time of the tests of one change")
    parser.add_argument("--again", type=Path, help="what an earlier run printed: try only what survived there")
    parser.add_argument("--seen", type=Path, help="keep here what each test calls, for the next run")
    asked = parser.parse_args()
    found = [Path(place).resolve() for place in asked.place]
    paths = [p for place in found for p in (sorted(place.rglob("*.py")) if place.is_dir() else [place])]
    out = os.fdopen(os.dup(1), "w")
    arguments = ["-o", "addopts=", "--import-mode=importlib", "-m", "not bench"]
    arguments += ["-p", "no:terminal", "-p", "no:cacheprovider"]
    with tempfile.TemporaryDirectory() as folder:
        seen = asked.seen or Path(folder) / "seen"
        seen.touch()
        again = {row.partition("   [")[0] for row in asked.again.read_text().splitlines()} if asked.again else set()
        sampler = Sampler(paths, asked.draw, asked.seed, asked.seconds, seen, again, out)
        pytest.main([*arguments, *asked.tests], plugins=[sampler])


if __name__ == "__main__":
    main()
