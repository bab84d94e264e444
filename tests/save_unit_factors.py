"""Ask pint for the factor of every pair of units and save them: python tests/save_unit_factors.py

Pint's registry takes a quarter of a second to build, and a record starts several processes: the kit looks its factors
up instead.
`tests/test_units.py` holds the file against pint.
"""

from __future__ import annotations

import itertools
import json

from tunelab import units


def factors() -> dict[str, tuple[float, float]]:
    """Scale and offset of every pair of units that convert into each other, by pint."""
    pairs = itertools.permutations(units._units().values(), 2)
    asked = {f"{a.pint_name} > {b.pint_name}": (a, b) for a, b in pairs if units._same_kind(a, b)}
    return {key: units._by_pint(*pair) for key, pair in sorted(asked.items()) if len(set(key.split(" > "))) > 1}


if __name__ == "__main__":
    lines = [f"{json.dumps(key)}: {json.dumps(value)}" for key, value in factors().items()]
    units.FACTORS.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
