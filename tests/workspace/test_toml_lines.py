"""Lines are counted by hand in the text below."""

import tomllib

import pytest

from tunelab.workspace.toml_lines import key_lines, line_of

TEXT = '''\
a = 1
"b c".d = [1,
2]
[x]  # comment
y = {z = 1, q = [{w = 2}]}
s = """
[no]
k = 2
"""
[[e]]
n = 1
[[e]]
n = 2
[e.sub]
m = 3
[[e.deep]]
k = 1
[[e.deep]]
k = 2
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("a",), 1),
        (("b c", "d"), 2),
        (("x",), 4),
        (("x", "y", "q", 0, "w"), 5),
        (("x", "s"), 6),
        (("e", 0, "n"), 11),
        (("e", 1, "n"), 13),
        (("e", 1, "sub", "m"), 15),
        (("e", 1, "deep", 0, "k"), 17),
        (("e", 1, "deep", 1, "k"), 19),
    ],
)
def test_every_key_is_found_on_its_line(path, line):
    assert key_lines(TEXT)[path] == line


def test_a_key_that_is_not_there_gets_the_line_of_its_table():
    lines = key_lines(TEXT)
    assert line_of(lines, ("e", 1, "missing")) == 12
    assert line_of(lines, ("missing",)) is None
    assert ("no",) not in lines


@pytest.mark.parametrize("text", ["a = [\n" + "1,\n" * 40_000 + "]\n", "a\n" * 60_000, "a = [\n" * 20_000])
def test_a_file_of_endless_lines_is_not_tried_line_by_line(text, monkeypatch):
    tries, loads = [], tomllib.loads
    monkeypatch.setattr(tomllib, "loads", lambda source: tries.append(len(source)) or loads(source))
    assert set(key_lines(text)) <= {("a",)}
    assert len(tries) < 20_000
    assert sum(tries) < 4_000_000


def test_many_entries_of_one_table_are_counted_without_counting_from_the_first():
    lines = key_lines("[[file]]\n" * 3000)
    assert lines[("file", 2999)] == 3000
