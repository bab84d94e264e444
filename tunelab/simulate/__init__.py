"""An engine, its ECU, driver and logger, with a known truth.

`random_car` draws a car, `steady_sweep` says what to drive, `drive` drives it; `operating`, `air_meter` and `injector`
give the truth to score a study against.
"""

from tunelab.simulate.drive import Drive, drive
from tunelab.simulate.random_car import random_car
from tunelab.simulate.schedule import Driver, Schedule, one_line, steady_sweep
from tunelab.simulate.truth import Conditions, Truth

__all__ = ["Conditions", "Drive", "Driver", "Schedule", "Truth", "drive", "one_line", "random_car", "steady_sweep"]
