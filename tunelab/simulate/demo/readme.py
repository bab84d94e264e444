"""The demo workspace's own page."""

README = """# Demo workspace

A two-seat hill-climb special with a 3.0 L straight-six, a hot-film meter in an enlarged housing, new injectors and a
used ECU wired in by its owner, three weeks before an event. Everything here is invented: the numbers come
from `tunelab.simulate`, and so do the faults in the logs. r02 is what the kit proposed from the sweep of r01, r03 what
it proposed from the sweep of r02, typed in. It is made, byte for byte, by

    python -m tunelab.simulate.demo data_demo

| session | steps | revision | its logs |
| --- | --- | --- | --- |
| 2026-05-02-link | link, road | r01 | commas; drop-outs, clock from 0 after each, spikes, frozen coolant |
| 2026-05-03-steady | steady | r01 | text before the table, milliseconds, gaps, spikes, frozen lambda |
| 2026-05-06-part-throttle | part-throttle, road | r01 | semicolons, decimal commas, °F, psi, AFR, error words |
| 2026-05-09-steady | steady | r02 | tabs, a row of units, UTF-16, time of day past midnight, trims as factors |
| 2026-05-12-coast-down | coast-down | r02 | pipes, date and time in one column, position |
| 2026-05-14-full-throttle | full-throttle | r02 | commas, spikes, cut-off row |
| 2026-05-17-steady | steady, road, link | r03 | two files of two loggers |
| 2026-05-18-full-throttle | full-throttle | r03 | commas, position |
| 2026-05-20-launch-marit | launch | r03 | pipes |
| 2026-05-20-launch-pia | launch | r03 | pipes, another driver |

`table_car/` is a workspace of its own: a light single-seater without an air meter, whose ECU takes the air
from a table over engine speed and manifold pressure. Its r02 is what the kit proposed from the sweep of r01, typed in.
"""
