"""Ground speed of starts whose speed is known in closed form."""

import numpy as np
import pytest
from driven_log import flagged

from tunelab.study.launch.find import FORWARD_LATE_S, LaunchSpan, ground_speed


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0])
def test_acceleration_summed_up_is_the_speed_whatever_the_rate(rate_hz):
    """v = a (t - start): over starts anywhere between two rows the mean departure is nothing."""
    off = []
    for start in 5.0 + np.linspace(0.0, 1.0 / rate_hz, 20, endpoint=False):
        time = np.arange(0.0, 9.0, 1.0 / rate_hz)
        forward = np.where(time - FORWARD_LATE_S[0] >= start, 5.0, 0.0)  # m/s2, by a sensor as late as is taken
        log = flagged(time, acceleration_m_s2=forward)
        span = LaunchSpan(1, 0, int(start * rate_hz), time.size - 1, 3.0, start, start, 8.5, "clutch")
        own = (time > 6.0) & (time < 8.0)
        off.append(np.mean(ground_speed(log, span).speed_km_h[own] - 3.6 * 5.0 * (time[own] - start)))
    assert np.mean(off) == pytest.approx(0.0, abs=0.1)
