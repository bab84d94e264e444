"""Files that are no logs, or hardly: an error in plain words, in bounded time, and every row accounted for."""

from __future__ import annotations

import contextlib
import gzip
import random

import pytest

from tunelab.cli import main
from tunelab.log.inspect import inspect_file
from tunelab.log.read import ReadError, read_raw
from tunelab.workspace import ChannelMap

HEAD = b"Time (s),RPM\n"
MEGABYTE = 1_000_000


def write(folder, content: bytes):
    path = folder / "log.csv"
    path.write_bytes(content)
    return path


@pytest.mark.parametrize("seed", range(25))
def test_random_bytes_are_a_read_error_or_a_table(tmp_path, seed):
    path = write(tmp_path, random.Random(seed).randbytes(5000))
    with contextlib.suppress(ReadError):
        raw = read_raw(path)
        assert raw.rows_in == raw.frame.height + sum(item.rows for item in raw.set_aside)


def test_inspect_of_random_bytes_ends_with_a_sentence(tmp_path, capsys):
    assert main(["inspect", str(write(tmp_path, random.Random(3).randbytes(5000)))]) == 1
    assert "no table was found" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b'"' + b"x" * MEGABYTE + b'",b\n1,2\n', "no table"),
        (b"a," * 250_000 + b"\n" + b"1," * 250_000 + b"\n", "fields"),
        (b"(" * MEGABYTE + b",b\n1,2\n", "no table"),
        (HEAD + HEAD * 70_000, "no table"),
        (gzip.compress(HEAD + b"1,2\n" * 30_000_000, 1), "200 times"),
    ],
    ids=["long quoted cell", "wide", "long heading", "headings only", "packed zeros"],
)
def test_what_is_no_log_is_refused(tmp_path, content, word):
    with pytest.raises(ReadError, match=word):
        read_raw(write(tmp_path, content))


@pytest.mark.parametrize(
    "content",
    [
        b'Time (s),"RP\rM"\n1,2\n2,3\n3,4\n',
        HEAD + b"1,2\n2," + b"9" * MEGABYTE + b"\n3,4\n",
        HEAD + b"1,2\n2,3\n" + b"," * MEGABYTE + b"\n3,4\n",
        HEAD + b'1,2\n2,"3\n3,4\n4,5\n',
    ],
    ids=["return in a quoted name", "endless number", "endless row", "lone quote"],
)
def test_damage_costs_only_the_rows_it_hit(tmp_path, content):
    raw = inspect_file(write(tmp_path, content), None, ChannelMap()).raw
    assert raw.rows_in == raw.frame.height + sum(item.rows for item in raw.set_aside)
    assert raw.frame.height >= 2


@pytest.mark.parametrize("head", [b"", b"Logger 3\n"])
def test_carriage_returns_alone_end_lines(tmp_path, head):
    raw = read_raw(write(tmp_path, head + b"Time (s),RPM\r0,900\r1,910\r2,920\r"))
    assert raw.frame["RPM"].to_list() == [900, 910, 920]
    assert raw.rows_in == 3


def test_thousands_of_columns_of_one_name_get_keys_of_their_own(tmp_path):
    raw = read_raw(write(tmp_path, b",".join([b"a"] * 3000) + b"\n" + (b",".join([b"1"] * 3000) + b"\n") * 3))
    assert len({column.key for column in raw.columns}) == 3000


def test_a_gzip_file_of_many_empty_members_is_read_in_no_time():
    import gzip
    import time

    from tunelab.log.read.content import unpack_gzip

    text = b"Time,RPM\n" * 200_000
    packed = gzip.compress(b"") * 160_000 + gzip.compress(text[:700_000]) + gzip.compress(text[700_000:])
    begin = time.process_time()
    assert unpack_gzip(packed) == (text, ())
    assert time.process_time() - begin < 4  # 10 and more where each member copies all that follows
