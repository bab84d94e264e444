"""What no test noticed in a mutation run: `mutmut run` first, then `python tests/bench/mutants.py`.

Each row is a line as it was and as it was changed. Changes in the words of a message, and of `dtype=float` where the
numbers are float anyway, are counted apart: a test that held them would repeat the code.
"""

from __future__ import annotations

import ast
import difflib
import json
from collections import Counter
from pathlib import Path

CAUGHT, SURVIVED = 1, 0


def functions(path: Path) -> dict[str, list[str]]:
    """Lines of every function of a changed module, the original and its mutants, by name."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {n.name: ast.unparse(n).splitlines()[1:] for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)}


def change(original: list[str], mutant: list[str]) -> tuple[str, str]:
    """The lines that differ, as they were and as they are."""
    rows = [row for row in difflib.ndiff(original, mutant) if row[:2] in ("- ", "+ ")]
    return tuple(" | ".join(row[2:].strip() for row in rows if row[0] == sign) for sign in "-+")


def kind(was: str, now: str) -> str:
    """What sort of change it is: words of a message, a type that changes nothing, or a change of what is calculated."""
    if "XX" in now or was.casefold() == now.casefold():
        return "words"
    if "dtype=None" in now or was.replace(", dtype=float", "") == now.replace(", dtype=float", ""):
        return "type"
    is_hint = ("require_" in was or "refuse(" in was or "hint" in was) and "None" in now
    return "words" if is_hint else "calculation"


def main() -> None:
    """Print the survivors that calculate something else, and how many there are of each kind."""
    counts = Counter()
    for meta in sorted(Path("mutants/tunelab").rglob("*.meta")):
        codes = json.loads(meta.read_text(encoding="utf-8"))["exit_code_by_key"]
        known = functions(meta.with_suffix("")) if codes else {}
        for key, code in codes.items():
            if code != SURVIVED:
                counts["caught" if code == CAUGHT else f"other ({code})"] += 1
                continue
            name = key.rsplit(".", 1)[-1]
            was, now = change(known[f"{name.rpartition('__mutmut_')[0]}__mutmut_orig"], known[name])
            sort = kind(was, now)
            counts[f"survived: {sort}"] += 1
            if sort == "calculation":
                print(f"{meta.stem} {name}\n    {was}\n    {now}")
    print(dict(counts))


if __name__ == "__main__":
    main()
