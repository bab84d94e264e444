"""Coverage-guided fuzzing by hand: python tests/fuzz/fuzz_found.py log -max_total_time=60

Needs atheris, a public Python package.
The first argument is log, car, revision, session, channels or flags; or, of a zip that is opened, zip (all of it),
crate, results, described, answer, table or cleaned (one file in it). The rest goes to libFuzzer.
A case that breaks a promise is written as crash-*; give it a name and put it into tests/data/found.
"""

import os
import re
import resource
import sys
import tempfile
from pathlib import Path

import asammdf
import atheris
import numpy
import polars
import xarray

sys.path.insert(0, str(Path(__file__).parents[1]))
with atheris.instrument_imports(include=["tunelab"]):
    from found_case import (
        SHARED_FILES,
        TOML_FILES,
        check_flags,
        check_log,
        check_shared,
        check_toml,
        log_of_bytes,
        shared_files,
        shared_with,
    )

SLOWEST_S, MOST_MEMORY = 5.0, 20  # of the processor, children included; -timeout=N tells what hangs without working
BASE_KB = 64 * 1024  # what a reader takes whatever the size of the file


def main() -> None:
    """Fuzz one target."""
    target = sys.argv.pop(1)
    folder = Path(tempfile.mkdtemp())

    def run(content: bytes) -> None:
        began, before = sum(os.times()[:4]), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        if target == "log":
            check_log(content, folder)
        elif target == "flags":
            check_flags(log_of_bytes(content))
        elif target in TOML_FILES:
            check_toml(target, content, folder)
        elif target in (*SHARED_FILES, "zip"):
            check_shared(target, content, folder)
        else:
            raise SystemExit(f"unknown target {target}")
        assert sum(os.times()[:4]) - began < SLOWEST_S * max(len(content) / 1e6, 1.0), "too slow"
        grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
        assert grown < BASE_KB + MOST_MEMORY * len(content) / 1024, f"{grown} kB more for {len(content)} bytes"

    seeds = folder / "seeds"
    seeds.mkdir()
    contents = dict(_seeds(target))
    for name, content in contents.items():
        (seeds / name).write_bytes(content)
    (folder / "words").write_bytes(_words(list(contents.values())))
    atheris.Setup([sys.argv[0], str(seeds), f"-dict={folder / 'words'}", *sys.argv[1:]], run)
    atheris.Fuzz()


def _seeds(target: str):
    if target in TOML_FILES:
        yield "plain", TOML_FILES[target][1].encode()
        return
    if target in (*SHARED_FILES, "zip"):
        answer = b'record = "x"\nauthor = "me"\ndate = 2026-05-04\n'
        yield (
            "right",
            shared_files().get(SHARED_FILES[target], answer) if target != "zip" else shared_with("a.csv", b""),
        )
        for path in (Path(__file__).parents[1] / "data" / "found" / "open").glob(f"{target}-*"):
            yield path.name, path.read_bytes()
        return
    if target == "flags":
        yield "ramp", bytes(range(256)) * 4
        return
    rows = [(f"{i / 25:.2f}", f"{900 + i}", f"{1 + i % 7 / 10:.1f}", "88") for i in range(12)]
    for number, (mark, point) in enumerate(((",", "."), (";", ","), ("\t", "."))):
        lines = [
            mark.join(("Time (s)", "RPM", "AFR", "Coolant (°C)")),
            *(mark.join(r).replace(".", point) for r in rows),
        ]
        yield f"table{number}", ("\n".join(lines) + "\n").encode()
    yield "stamps", b"Date;Time;RPM\n" + b"".join(b"03.05.2026;12:00:%02d,5;%d\n" % (i, 900 + i) for i in range(12))
    for path in (Path(__file__).parents[1] / "data" / "found" / "log").iterdir():
        yield path.name, path.read_bytes()
    yield from _packed_seeds()


def _packed_seeds():
    """Small right files of every packed format, for changes that leave most of it readable."""
    columns = {"Time": [i / 25 for i in range(12)], "RPM": [900.0 + i for i in range(12)], "Lambda": [1.0] * 12}
    with tempfile.TemporaryDirectory() as made:
        frame = polars.DataFrame(columns)
        frame.write_parquet(f"{made}/small.parquet", compression="uncompressed")
        frame.write_parquet(f"{made}/small-zstd.parquet", compression="zstd")
        log = xarray.Dataset({name: ("time", values) for name, values in columns.items()})
        log.to_netcdf(f"{made}/small.nc", engine="h5netcdf")
        log.to_netcdf(f"{made}/small-classic.nc", engine="scipy")
        with asammdf.MDF(version="4.10") as mdf:
            time = numpy.asarray(columns.pop("Time"))
            mdf.append([asammdf.Signal(numpy.asarray(v), time, name=name) for name, v in columns.items()])
            mdf.save(f"{made}/small.mf4", overwrite=True)
        for path in sorted(Path(made).iterdir()):
            yield path.name, path.read_bytes()


def _words(contents: list[bytes]) -> bytes:
    """A dictionary for libFuzzer of the words in the seeds: a key is not hit by chance."""
    found = {word for content in contents for word in re.findall(rb"[A-Za-z][A-Za-z0-9_.-]{2,40}", content)}
    return b"".join(b'"%s"\n' % word for word in sorted(found))


if __name__ == "__main__":
    main()
