"""A record run again from what came in a zip, and its numbers compared with those that came along."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from tunelab.record.notebook import SET_BY_THE_RUN, NotebookError, choose_notebooks, find_notebooks, notebooks_folder
from tunelab.record.opened import open_session
from tunelab.record.session import Record, record_session
from tunelab.record.stored import RecordError, read_results
from tunelab.workspace.session import leaves_folder

COLUMNS = ["what", "came", "made again"]
CLOSE = 1e-6  # share by which a number may differ: more than arithmetic on another processor makes, less than matters


@dataclass(frozen=True)
class Again:
    """A record made anew beside the one that came."""

    record: Record
    compared: int  # numbers compared: of findings and of tables
    differences: pd.DataFrame  # what, came, made, because

    @property
    def is_same(self) -> bool:
        """Whether every number came out the same."""
        return self.differences.empty


def run_again(came: Path, session: Path) -> Again:
    """Run a record's notebooks again with its parameters, on the cleaned log that came along.

    The new record takes the place of the one that came, which is kept beside it as `<record>.<n>`.

    Raises
    ------
    NotebookError, WorkspaceError, LoadError
        No notebook that this version has, a parameter that leads out of the workspace, or a log that cannot be read.
    """
    results = read_results(came)
    opened = open_session(session)
    names = [item["name"] for item in results["notebooks"]]
    here = {notebook.name for notebook in find_notebooks(notebooks_folder())}
    gone = [name for name in names if name not in here]
    if len(gone) == len(names):
        raise NotebookError(
            f"{came.name}: this tunelab has none of the notebooks that made it ({', '.join(gone) or 'none'}), so it "
            f"cannot be run again and stays as it came. It was made by tunelab {results['versions']['tunelab']}."
        )
    notebooks = choose_notebooks(notebooks_folder(), (), tuple(name for name in names if name in here))
    settings = {
        n.name: {
            key: value
            for key, value in results["parameters"].get(n.name, {}).items()
            if key not in SET_BY_THE_RUN and key in {p.name for p in n.parameters}
        }
        for n in notebooks
    }
    _refuse_paths_elsewhere(came.name, settings)
    record = record_session(opened, notebooks, settings, place=came)
    compared, differences = compare_records(_as_it_came(came, results) or record.kept or came, record.place)
    rows = [{"what": f"the notebook {name}", "came": "there", "made again": "not in this tunelab"} for name in gone]
    return Again(record, compared + len(gone), pd.concat([pd.DataFrame(rows, columns=COLUMNS), differences]))


def _refuse_paths_elsewhere(record: str, settings: Mapping[str, Mapping[str, Any]]) -> None:
    """Parameters that came along name sessions of the workspace, and nothing else of this computer."""
    for notebook, given in settings.items():
        for name, value in given.items():
            texts = [text for text in (value if isinstance(value, list) else [value]) if isinstance(text, str)]
            outside = [text for text in texts if leaves_folder(text) or text.startswith("~")]
            if outside:
                raise NotebookError(
                    f"{record}: the parameter {name} of the notebook {notebook} names {outside[0]!r}, which lies "
                    "outside the workspace, so it is not run again and stays as it came."
                )


def _as_it_came(place: Path, results: dict) -> Path | None:
    """Find where the record went that was there when the run began: another run may have taken its place meanwhile."""
    beside = [path for path in place.parent.iterdir() if path.name.startswith(f"{place.name}.")]
    kept = [path for path in beside if (path / "results.json").is_file()]
    for path in sorted(kept):
        with contextlib.suppress(RecordError):
            if read_results(path) == results:
                return path
    return None


def compare_records(came: Path, made: Path) -> tuple[int, pd.DataFrame]:
    """Hold all numbers of findings and tables of two records against each other."""
    rows: list[tuple[str, str, str]] = []
    compared = 0
    first, second = ({f["id"]: f for f in read_results(place)["findings"]} for place in (came, made))
    for name in sorted({*first, *second}):
        one, other = first.get(name, {}), second.get(name, {})
        for key in ("value", "lower", "upper", "status", "samples_used"):
            compared += 1
            if not _same(one.get(key), other.get(key)):
                rows.append((f"{name}, {key}", str(one.get(key)), str(other.get(key))))
    names = sorted({p.name for place in (came, made) for p in (place / "tables").glob("*.csv")})
    for name in names:
        count, more = _compare_tables(came / "tables" / name, made / "tables" / name)
        compared += count
        rows += more
    return compared, pd.DataFrame(rows, columns=COLUMNS)


def _compare_tables(one: Path, other: Path) -> tuple[int, list[tuple[str, str, str]]]:
    if not one.exists() or not other.exists():
        return 1, [
            (f"tables/{one.name}", "there" if one.exists() else "missing", "there" if other.exists() else "missing")
        ]
    first, second = pd.read_csv(one, dtype=object), pd.read_csv(other, dtype=object)
    if first.shape != second.shape:
        return 1, [(f"tables/{one.name}", f"{len(first)} rows", f"{len(second)} rows")]
    rows = []
    for column in first.columns.intersection(second.columns):
        off = [not _same(a, b) for a, b in zip(first[column], second[column], strict=True)]
        if any(off):
            at = off.index(True)
            text = f"tables/{one.name}, {column}, {sum(off)} of {len(off)} rows, first at row {at + 1}"
            rows.append((text, str(first[column].iloc[at]), str(second[column].iloc[at])))
    return first.size, rows


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, float) and math.isnan(one):
        one = None
    if isinstance(other, float) and math.isnan(other):
        other = None
    if one == other:
        return True
    try:
        return math.isclose(float(one), float(other), rel_tol=CLOSE, abs_tol=1e-9)
    except (TypeError, ValueError):
        return _is_word(one) and _is_word(other) and ("removed-" in str(one) or "removed-" in str(other))


def _is_word(value: Any) -> bool:
    return isinstance(value, str)
