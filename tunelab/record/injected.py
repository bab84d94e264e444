"""Parameters that papermill by hand puts into a notebook: it only warns of an unknown one, here that stops the run."""

from __future__ import annotations

import ast
import sys
from collections.abc import Sequence

from tunelab.record.notebook import NotebookError, hint

INJECTED = "# Parameters"  # how papermill's own cell begins; it stands behind the cell tagged `parameters`


def refuse_unknown_parameters() -> None:
    """Hold what papermill put into the running notebook against its cell of parameters; outside of one, do nothing.

    Raises
    ------
    NotebookError
        A name that the notebook does not have, with the nearest known one.
    """
    shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
    if shell is not None:
        refuse_unknown(shell.user_ns.get("In", []))


def refuse_unknown(cells: Sequence[str]) -> None:
    """Do the same for the sources of the cells that ran so far, oldest first."""
    for before, cell in zip(["", *cells], cells, strict=False):
        if not cell.lstrip().startswith(INJECTED):
            continue
        known = _assigned(before)
        for name in _assigned(cell):
            if name not in known:
                raise NotebookError(f"The notebook has no parameter {name!r}; {hint(name, known)}")


def _assigned(source: str) -> list[str]:
    statements = [part for part in ast.parse(source).body if isinstance(part, ast.Assign)]
    return [target.id for part in statements for target in part.targets if isinstance(target, ast.Name)]
