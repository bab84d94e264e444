"""The demo's revisions, as the owner entered them.

r01 is the car's first guess: it takes little air for less and much air for more, by -15 to +4 %, with a kink near
2.8 V. r02 and r03 are what the kit proposed from the sweeps of the revision before, typed in: to make them again after
the simulator has changed, record the sweep and enter `proposal.toml`.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from tunelab.workspace.revision import Revision

FOLDER = Path(__file__).parent / "owner" / "revisions"


def revisions() -> dict[str, Revision]:
    """All three revisions by name. Their files hold what an owner would have entered, not the truth behind them."""
    paths = sorted(FOLDER.glob("*.toml"))
    return {path.stem: Revision(**tomllib.loads(path.read_text(encoding="utf-8"))) for path in paths}
