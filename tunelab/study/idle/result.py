"""What the idle study returns, and whether the idle swings regularly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

from tunelab.study.finding import CONFIDENCE, NAN, Estimate, Finding, Question, counted, judge, nothing, shows_its_table
from tunelab.workspace.car import Car

LOWEST_HZ, HIGHEST_HZ = 0.08, 4.0
LEAST_PERIODS = 5  # within the stretch
SHORTEST_S = 8.0  # in less the noise around a line cannot be distinguished from the line
LEAST_RPM = 5.0  # nobody feels a smaller swing, and readings are rounded; common practice, no source
FALSE_ALARM = 1e-3  # chance that noise alone would show a swing in one stretch
HALF_BAND_BINS = 2  # of the window's main lobe, on either side
WANDER = 0.08  # share of the frequency by which a swing may wander within a stretch
SEEN_SIGMAS = 1.2  # beyond the threshold: a swing of that size is seen in 19 of 20 stretches
EULER = 0.5772156649015329  # mean of the logarithm of an exponential variable, with a minus sign


@dataclass(frozen=True)
class Hunting:
    """Regular swing of one stretch of idle. Amplitude is half of the way from crest to trough of a sine."""

    shown: bool  # whether a swing stands out of the noise
    frequency_hz: float  # of the strongest line; NaN if the stretch is too short to look
    lower_hz: float  # one bin either way, which is what the length of the stretch resolves; more if the swing wanders
    upper_hz: float
    amplitude_rpm: float
    amplitude_lower_rpm: float  # NaN with less than four swings in each quarter; 0 where nothing stands out
    amplitude_upper_rpm: float  # where nothing stands out: what would have been seen
    bin_hz: float
    start_s: float
    seconds: float
    samples: int
    because: str

    @property
    def period_s(self) -> float:
        """Period of the swing [s], NaN without one."""
        return 1.0 / self.frequency_hz if self.frequency_hz else NAN


@dataclass(frozen=True)
class Spectrum:
    """Amplitude spectrum of one stretch; shapes (bins,)."""

    frequency_hz: np.ndarray
    power: np.ndarray  # |transform|², Hann window
    background: np.ndarray  # what noise alone has there, in the mean
    scale: float  # amplitude = sqrt(scale x summed power)
    bin_hz: float

    @property
    def amplitude_rpm(self) -> np.ndarray:
        """Amplitude of a sine that would put this power into its main lobe, per bin."""
        return np.sqrt(self.scale * self.power)


def spectrum(time_s: np.ndarray, speed_rpm: np.ndarray) -> Spectrum | None:
    """Spectrum of engine speed on an even clock, trend removed; None where the stretch is too short to look.

    Parameters
    ----------
    time_s, speed_rpm : arrays, shape (n,)
        Readings of one unbroken stretch; NaN are bridged.
    """
    known = np.isfinite(speed_rpm)
    if known.sum() < 16 or time_s[known][-1] - time_s[known][0] < LEAST_PERIODS / HIGHEST_HZ:
        return None
    step = max(float(np.median(np.diff(time_s[known]))), 0.02)
    even = np.arange(time_s[known][0], time_s[known][-1], step)
    values = scipy.signal.detrend(np.interp(even, time_s[known], speed_rpm[known]))
    window = np.hanning(values.size)
    power = np.abs(np.fft.rfft(values * window)) ** 2
    frequency = np.fft.rfftfreq(values.size, step)
    reach = (frequency >= max(LOWEST_HZ, LEAST_PERIODS / (even[-1] - even[0]))) & (frequency <= HIGHEST_HZ)
    reach &= frequency < 0.4 / step
    if reach.sum() < 8:
        return None
    scale = 4.0 / (values.size * float(np.sum(window**2)))
    frequency, power = frequency[reach], np.maximum(power[reach], 1e-12)
    return Spectrum(frequency, power, _background(frequency, power), scale, float(frequency[1] - frequency[0]))


def _background(frequency: np.ndarray, power: np.ndarray) -> np.ndarray:
    """Noise around a line: a parabola of log power over log frequency, with the strongest lines left out in turn."""
    x, y = np.log(frequency), np.log(power) + EULER
    keep = np.ones(x.size, dtype=bool)
    line = np.full(x.size, np.mean(y))
    for _ in range(4):
        line = np.polyval(np.polyfit(x[keep], y[keep], 2 if keep.sum() > 12 else 1), x)
        keep = y - EULER - line < 1.8  # an exponential variable passes exp(1.8) times its mean in 0.2 % of cases
        peak = int(np.argmax(y - line))
        keep[max(peak - 3, 0) : peak + 4] = False
        if keep.sum() < 6:
            break
    return np.exp(line)


def find_hunting(time_s: np.ndarray, speed_rpm: np.ndarray) -> Hunting:
    """Look for a regular swing in one unbroken stretch of idle.

    Parameters
    ----------
    time_s, speed_rpm : arrays, shape (n,)
        Readings; NaN are bridged.

    Notes
    -----
    The power of noise is exponentially distributed about its mean in each bin, so a line counts where noise would pass
    it in one of FALSE_ALARM stretches. Source: any text on spectral estimation, such as D. B. Percival, A. T. Walden,
    "Spectral Analysis for Physical Applications" (1993), ch. 6 (from memory).
    """
    seconds = float(time_s[-1] - time_s[0]) if time_s.size else 0.0
    begin, count = (float(time_s[0]) if time_s.size else NAN), int(np.isfinite(speed_rpm).sum())
    found = spectrum(time_s, speed_rpm)
    if found is None or seconds < SHORTEST_S:
        because = f"{seconds:.1f} s of unbroken idle are too short to look for a swing."
        return Hunting(False, NAN, NAN, NAN, NAN, NAN, NAN, NAN, begin, seconds, count, because)
    needed = float(np.log(found.frequency_hz.size / FALSE_ALARM))
    peak = int(np.argmax(found.power / found.background))
    ratio = float(found.power[peak] / found.background[peak])
    frequency = _refined(found, peak)
    amplitude = _amplitude(found, peak)
    reach = max(found.bin_hz, _width(found, peak))
    bounds = (max(frequency - reach, 0.0), frequency + reach)
    if ratio < needed or amplitude < LEAST_RPM:
        hidden = float(np.sqrt(2.0 * found.scale * np.max(found.background)) * (np.sqrt(needed) + SEEN_SIGMAS))
        hidden = max(hidden, amplitude, 1.5 * LEAST_RPM)
        because = f"no swing above the noise; one of {hidden:.0f} rpm either way would have been seen."
        sizes = (amplitude, 0.0, hidden)
        return Hunting(False, frequency, *bounds, *sizes, found.bin_hz, begin, seconds, count, because)
    sizes = (amplitude, *_amplitude_interval(time_s, speed_rpm, frequency, amplitude))
    because = (
        f"a swing of {amplitude:.0f} rpm either way every {1 / frequency:.2f} s, {ratio:.0f} times the noise around it "
        f"({needed:.0f} is wanted), in {seconds:.0f} s from {begin:.0f} s."
    )
    return Hunting(True, frequency, *bounds, *sizes, found.bin_hz, begin, seconds, count, because)


def _refined(found: Spectrum, peak: int) -> float:
    """Frequency between bins, by a parabola through the logarithms of three bins."""
    if not 0 < peak < found.power.size - 1:
        return float(found.frequency_hz[peak])
    a, b, c = np.log(found.power[peak - 1 : peak + 2])
    bend = a - 2 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
    return float(found.frequency_hz[peak] + np.clip(shift, -0.5, 0.5) * found.bin_hz)


def _band(found: Spectrum, peak: int) -> slice:
    """Bins of a line; a swing that wanders spreads over more of them."""
    half = max(HALF_BAND_BINS, round(WANDER * found.frequency_hz[peak] / found.bin_hz))
    return slice(max(peak - half, 0), peak + half + 1)


def _amplitude(found: Spectrum, peak: int) -> float:
    """Amplitude from all power of the line above the noise."""
    band = _band(found, peak)
    return float(np.sqrt(found.scale * max(np.sum(found.power[band] - found.background[band]), 0.0)))


def _width(found: Spectrum, peak: int) -> float:
    """How far the power of a line is spread about it, root mean square. [Hz]"""
    band = _band(found, peak)
    power = np.maximum(found.power[band] - found.background[band], 0.0)
    away = found.frequency_hz[band] - found.frequency_hz[peak]
    return float(np.sqrt(np.sum(power * away**2) / max(np.sum(power), 1e-12)))


def _amplitude_interval(
    time_s: np.ndarray, speed_rpm: np.ndarray, frequency: float, amplitude: float
) -> tuple[float, float]:
    """Interval from the amplitudes of four quarters of the stretch; NaN where a quarter has less than two periods."""
    known = np.isfinite(speed_rpm)
    sizes = []
    for part in np.array_split(np.flatnonzero(known), 4):
        clock, values = time_s[part], speed_rpm[part]
        if part.size < 6 or (clock[-1] - clock[0]) * frequency < 2.0:
            return NAN, NAN
        phase = 2 * np.pi * frequency * clock
        columns = np.column_stack([np.cos(phase), np.sin(phase), np.ones(part.size), clock - clock.mean()])
        best = np.linalg.lstsq(columns, values, rcond=None)[0]
        sizes.append(float(np.hypot(best[0], best[1])))
    reach = scipy.stats.t.ppf(0.5 + CONFIDENCE / 2, 3) * np.std(sizes, ddof=1) / 2.0
    return max(amplitude - float(reach), 0.0), amplitude + float(reach)


OVERLAP_CAUTION = (
    "With a long-overlap camshaft fresh air passes straight into the exhaust at idle and the sensor reads leaner than "
    "what burns. Do not add fuel at idle for this reading alone: go by even running, by the least throttle that holds "
    "the speed, and by what the plugs show; believe the sensor from about 1500 rpm under load."
)
ALWAYS = "An exhaust leak before the sensor, or a misfire, also reads lean at idle: look for both before changing fuel."


@shows_its_table
@dataclass(frozen=True)
class IdleStudy:
    """How the car idles. Headline values are those of the warm engine; `bands` has all coolant temperatures."""

    shown: bool
    because: str  # why nothing was judged
    stretches: pd.DataFrame
    """`start_s, end_s, coolant_c, target_rpm, error_rpm, spread_rpm, lambda_error_pct, lambda_spread_pct, spark_deg,
    spark_spread_deg, actuator_pct, actuator_low_pct, actuator_high_pct, hunting_rpm, hunting_hz, samples`"""
    bands: pd.DataFrame  # by coolant temperature: the same, from all stretches of the band, with intervals
    speed_error: Estimate  # engine speed less target
    speed_spread: Estimate  # standard deviation of engine speed
    lambda_error: Estimate  # lambda over commanded, less 1, in per cent
    lambda_spread: Estimate
    spark_spread: Estimate
    actuator_margin: Estimate  # least opening left to either end of the actuator
    hunting: tuple[Hunting, ...]  # of each settled stretch long enough to look, the warm ones first
    load_steps: pd.DataFrame
    flares: pd.DataFrame
    samples_used: int
    samples_flagged: int

    @property
    def worst_hunting(self) -> Hunting | None:
        """The largest swing of any stretch that shows one, else the stretch that saw most; None where none could."""
        known = [h for h in self.hunting if np.isfinite(h.frequency_hz)]
        swings = [h for h in known if h.shown]
        if swings:
            return max(swings, key=lambda h: h.amplitude_rpm)
        return min(known, key=lambda h: h.amplitude_upper_rpm) if known else None

    def summary(self) -> pd.DataFrame:
        """One row per headline value: value, lower, upper, unit, samples."""
        parts = {
            "speed error": self.speed_error,
            "speed spread": self.speed_spread,
            "lambda error": self.lambda_error,
            "lambda spread": self.lambda_spread,
            "spark spread": self.spark_spread,
            "actuator margin": self.actuator_margin,
        }
        rows = [(k, e.value, e.lower, e.upper, e.unit, e.samples_used, e.samples_flagged) for k, e in parts.items()]
        names = ["quantity", "value", "lower", "upper", "unit", "samples", "flagged"]
        return pd.DataFrame(rows, columns=names).set_index("quantity")

    def findings(self, car: Car) -> list[Finding]:
        """Hold the idle against the owner's limits."""
        return idle_findings(self, car)


def idle_findings(study: IdleStudy, car: Car) -> list[Finding]:
    """Findings of the idle, in the order in which a reader wants them."""
    limits = car.limits
    bound = {
        "error": Question(
            "idle.speed_error", "Idle speed against its target", limits.idle_speed_error_max_rpm,
            "limits.idle_speed_error_max_rpm", "away",
        ),
        "spread": Question(
            "idle.speed_spread", "Spread of idle speed", limits.idle_speed_spread_max_rpm,
            "limits.idle_speed_spread_max_rpm",
        ),
        "margin": Question(
            "idle.actuator_margin", "Idle actuator's margin", limits.idle_actuator_margin_min_pct,
            "limits.idle_actuator_margin_min_pct", "lower",
        ),
    }  # fmt: skip
    why = study.because or "warm engine, settled idle."
    spark = Question("idle.spark_spread", "Spread of spark at idle")
    return [
        judge(bound["error"], study.speed_error, why),
        judge(bound["spread"], study.speed_spread, why),
        _hunting(study, car),
        _lambda(study, car),
        judge(bound["margin"], study.actuator_margin, study.because or study.actuator_margin.method),
        judge(spark, study.spark_spread, study.because or study.spark_spread.method),
        _load_step(study),
        _flare(study, car),
    ]


def _lambda(study: IdleStudy, car: Car) -> Finding:
    question = Question(
        "idle.lambda_error", "Lambda at idle against commanded", car.limits.steady_lambda_error_max_pct,
        "limits.steady_lambda_error_max_pct", "away",
    )  # fmt: skip
    found = judge(question, study.lambda_error, study.because or study.lambda_error.method)
    if car.engine.long_overlap_cam and study.lambda_error.shown and study.lambda_error.value > 0:
        return judge(question, _unshown(study.lambda_error), f"reads {study.lambda_error.words(1)}. {OVERLAP_CAUTION}")
    return found


def _unshown(estimate: Estimate) -> Estimate:
    nan = float("nan")
    return Estimate(nan, nan, nan, estimate.unit, estimate.samples_used, estimate.samples_flagged, estimate.method)


def _hunting(study: IdleStudy, car: Car) -> Finding:
    question = Question(
        "idle.hunting", "Hunting of the idle (half its swing)", car.limits.idle_hunting_max_rpm,
        "limits.idle_hunting_max_rpm",
    )  # fmt: skip
    worst = study.worst_hunting
    if worst is None:
        why = study.because or "no stretch of settled idle is long enough to see a swing, or speed never moved."
        return judge(question, nothing("rpm", "", flagged=study.samples_flagged), why)
    sizes = (worst.amplitude_rpm, worst.amplitude_lower_rpm, worst.amplitude_upper_rpm)
    swings = sum(h.shown for h in study.hunting)
    text = f"{worst.because} Swings are above the noise in {swings} of {len(study.hunting)} stretches."
    return judge(question, Estimate(*sizes, "rpm", worst.samples, study.samples_flagged, ""), text)


def _load_step(study: IdleStudy) -> Finding:
    question = Question("idle.load_step", "Dip of idle speed when an electrical load comes on")
    table = study.load_steps[study.load_steps["battery_step_v"] < 0] if len(study.load_steps) else study.load_steps
    if not len(table):
        why = "no electrical load came on while the idle was steady; switch on lights, fan and heater once, and log it."
        return judge(question, nothing("rpm", "", flagged=study.samples_flagged), why)
    worst = table.loc[table["dip_rpm"].idxmin()]
    back = f"back after {worst['back_s']:.1f} s" if np.isfinite(worst["back_s"]) else "not back within 5 s"
    text = f"deepest of {len(table)}, at {worst['at_s']:.1f} s: battery {worst['battery_step_v']:.2f} V, {back}."
    dip, jitter = float(worst["dip_rpm"]), 5.0  # a reading of engine speed
    value = Estimate(dip, dip - jitter, dip + jitter, "rpm", len(table), 0, "deepest dip")
    return judge(question, value, text)


def _flare(study: IdleStudy, car: Car) -> Finding:
    question = Question("idle.flare", "Flare after a start", car.limits.idle_flare_max_rpm, "limits.idle_flare_max_rpm")
    known = study.flares[np.isfinite(study.flares["flare_rpm"].astype(float))] if len(study.flares) else study.flares
    if not len(known):
        reasons = "; ".join(dict.fromkeys(study.flares["because"])) if len(study.flares) else "no start is in the log"
        return judge(question, nothing("rpm", "", flagged=len(study.flares)), f"{reasons}.")
    worst = known.loc[known["flare_rpm"].idxmax()]
    value, jitter = float(worst["flare_rpm"]), max(5.0, 0.01 * float(worst["peak_rpm"]))
    warm = f"coolant {worst['coolant_c']:.0f} °C" if np.isfinite(worst["coolant_c"]) else "coolant not logged"
    text = (
        f"largest of {counted(len(known), 'starts')}, at {worst['start_s']:.1f} s ({warm}): "
        f"to {worst['peak_rpm']:.0f} rpm, "
        f"{worst['above_100_s']:.1f} s more than 100 rpm above what it settled to; the interval is the reading's own."
    )
    estimate = Estimate(value, value - jitter, value + jitter, "rpm", len(known), len(study.flares) - len(known), "")
    return judge(question, estimate, text)
