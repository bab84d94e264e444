"""Some made-up files of known content: nothing is read wrong, and little that is clear is refused."""

import numpy as np
import pytest
from judged_file import judge_file
from made_files import FAULTS, make_file

FILES = 100


@pytest.fixture(scope="module")
def judged(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made")
    made = [make_file(np.random.default_rng([2026, number])) for number in range(FILES)]
    return [(one, judge_file(one, folder / "log.csv")) for one in made]


def test_no_file_is_read_wrong_or_loses_rows_without_a_word(judged):
    assert [(made.about, one.wrong, one.lost) for made, one in judged if one.wrong or one.lost] == []


def test_hardly_any_file_that_is_clear_is_refused(judged):
    clear = [one for made, one in judged if made.is_clear]
    refused = [one.refused for one in clear if one.refused]
    assert len(clear) > 0.6 * FILES
    assert len(refused) <= 0.05 * len(clear), refused


def test_the_files_hold_every_fault(judged):
    assert set(FAULTS) <= {word for made, _ in judged for word in made.about}
