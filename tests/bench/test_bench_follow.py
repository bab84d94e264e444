"""Following a log of two hours at 50 Hz: time of a look and memory early and late, and from a row to the screen."""

import resource
import threading
import time

import numpy as np
import pytest
from followed_log import ROAD, content, workspace

from tunelab.record.following import Following, session_of

HZ, ROWS, COLUMNS = 50, 360_000, 30
BURST = 13  # rows that come between two looks


def long_log():
    """Heading, and rows of a demo drive over and over on a clock of 50 Hz, with columns that mean nothing added."""
    heading, *rows = content(ROAD).decode().splitlines()
    cells = [row.split(",")[1:] for row in rows]
    more = COLUMNS - len(cells[0]) - 1
    tail = [",".join(f"{value:.3f}" for value in line) for line in np.random.default_rng(1).normal(size=(997, more))]
    lines = (f"{k / HZ:.3f},{','.join(cells[k % len(cells)])},{tail[k % 997]}\n" for k in range(ROWS))
    names = ",".join(f"Aux {n + 1}" for n in range(more))
    return f"{heading},{names}\n".encode(), [line.encode() for line in lines]


def memory_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def looks(following, log, rows, count):
    """Processor and wall seconds of each of some looks between which a burst of rows came."""
    found = []
    for start in range(0, count * BURST, BURST):
        with open(log, "ab") as handle:
            handle.write(b"".join(rows[start : start + BURST]))
        begin = time.process_time(), time.perf_counter()
        following.look()
        found.append((time.process_time() - begin[0], time.perf_counter() - begin[1]))
    return np.array(found)


@pytest.mark.bench
def test_two_hours_at_50_hz(tmp_path):
    log = workspace(tmp_path / "my-car")
    heading, rows = long_log()
    log.write_bytes(heading + b"".join(rows[:30_000]))
    following = Following(log, session_of(log, None))
    while following.look().behind:
        pass
    count = 400  # more than one block, so that every size of what is held is met
    early, at_first = looks(following, log, rows[30_000:], count), memory_mb()
    done = 30_000 + count * BURST
    until = ROWS - count * BURST
    begin = time.process_time()
    for start in range(done, until, 20_000):
        with open(log, "ab") as handle:
            handle.write(b"".join(rows[start : min(start + 20_000, until)]))
        while following.look().behind:
            pass
    middle = time.process_time() - begin
    late, at_last = looks(following, log, rows[until:], count), memory_mb()
    begin = time.process_time(), time.perf_counter()
    again = Following(log, session_of(log, None))
    while (seen := again.look()).behind:
        pass
    spent = time.process_time() - begin[0], time.perf_counter() - begin[1]
    print(f"\n{ROWS} rows x {COLUMNS} columns, {log.stat().st_size / 1e6:.0f} MB; a look every {BURST} rows")
    for name, found in (("after 10 min", early), ("after 2 h", late)):
        cpu, wall = np.median(found, axis=0), np.quantile(found, 0.95, axis=0)
        print(f"{name}: a look takes {1000 * cpu[0]:.0f} ms of processor time, 95 % below {1000 * wall[0]:.0f} ms; "
              f"wall {1000 * cpu[1]:.0f} ms, 95 % below {1000 * wall[1]:.0f} ms")  # fmt: skip
    print(f"reading what was written meanwhile: {1e6 * middle / (until - done):.0f} us of processor time a row")
    print(f"peak memory {at_first:.0f} MB after 10 min, {at_last:.0f} MB after 2 h")
    print(f"begun again at the end: {spent[0]:.1f} s of processor time, {spent[1]:.1f} s; {seen.so_far.rows} rows")


@pytest.mark.bench
def test_from_a_row_to_the_screen(tmp_path):
    """Rows are written one by one at 50 Hz by a thread; coolant passes its limit now and then."""
    log = workspace(tmp_path / "my-car")
    heading, rows = long_log()
    place = heading.decode().split(",").index("Coolant (°C)")
    log.write_bytes(heading + b"".join(rows[:6000]))
    following = Following(log, session_of(log, None))
    while following.look().behind:
        pass
    written: dict[int, float] = {}
    is_over = threading.Event()

    def write():
        with open(log, "ab", buffering=0) as handle:
            for number in range(6000, 6000 + 40 * HZ):
                cells = rows[number].decode().split(",")
                cells[place] = "112" if number % 500 >= 480 else "90"
                handle.write(",".join(cells).encode())
                written[number] = time.perf_counter()
                time.sleep(1 / HZ)
        is_over.set()

    threading.Thread(target=write).start()
    row_late, passed = [], []
    while not is_over.is_set():
        seen, now = following.look(), time.perf_counter()
        if seen.so_far.rows in written:
            row_late.append(now - written[seen.so_far.rows])
        own = seen.so_far.limits.get("limits.coolant")
        if own is not None and own.is_passed and (not passed or own.last_s > passed[-1][0] + 1):
            first = next(n for n in sorted(written) if n % 500 == 480 and n / HZ > (passed[-1][0] + 1 if passed else 0))
            passed.append((own.last_s, now - written[first]))
        time.sleep(0.25)
    waited = [f"{1000 * late:.0f} ms" for _, late in passed]
    print(f"\nfrom a row to a look that has it: {1000 * np.median(row_late):.0f} ms in the median, "
          f"{1000 * max(row_late):.0f} ms at most, over {len(row_late)} looks; then 250 ms until the next")  # fmt: skip
    print(f"from the first row beyond a limit to the look that says so: {', '.join(waited)}")
