"""Made-up log files by the thousand, read and held against what they say.

Wanted: no wrong value, row or time, none lost without a word, and at most 5 % of the clear files refused. Run with
`pytest -m bench -s tests/bench/test_bench_files.py`; MADE_FILES and MADE_SEED set how many and which.
"""

import os
import sys
from collections import Counter

import numpy as np
import pytest
from judged_file import judge_file
from made_files import make_file

FILES = int(os.environ.get("MADE_FILES", "2000"))
SEED = int(os.environ.get("MADE_SEED", "1"))


@pytest.mark.bench
def test_made_up_files_against_what_they_say(tmp_path):
    counts: Counter[str] = Counter()
    for number in range(FILES):
        made = make_file(np.random.default_rng([SEED, number]))
        judged = judge_file(made, tmp_path / "log.csv")
        counts["clear"] += made.is_clear
        counts["refused"] += bool(judged.refused)
        counts["refused though clear"] += bool(judged.refused) and made.is_clear
        counts["wrong"] += bool(judged.wrong)
        counts["lost without a word"] += bool(judged.lost)
        for text in (*judged.wrong, *judged.lost, *([judged.refused] if judged.refused and made.is_clear else [])):
            sys.stdout.write(f"\n{number} {made.about[1:]}: {text.splitlines()[0]}")
    sys.stdout.write(
        f"\n{FILES} files of seed {SEED}: " + ", ".join(f"{n} {what}" for what, n in counts.items()) + "\n"
    )
