"""What a steady drive may show besides meter and dead time: lambda by battery, short pulses, a regulator off its hose.

Each adds a shape of its own to lambda. The size of that shape is weighed beside the finished fit, which does not know
of it; where it is not small, the fit's dead time or its intervals are not what they seem.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tunelab.physics import STANDARD_ATMOSPHERE_KPA
from tunelab.study.steady.joint import Joint
from tunelab.study.steady.leak import SPEAKS_FOR, size_by_curve
from tunelab.study.steady.posterior import Posterior, curve_rows

# Bounds of this module are common practice, no source.
LEAST_VOLTS = 0.5  # of battery voltage driven, to tell what lambda does with it
BATTERY_LIMIT = 0.01  # log units of lambda for each volt, at the same opening time
WITHIN_HOSE = 0.35  # of what a regulator off the manifold would do: from here on it is taken to be off
CERTAIN = 2.0  # standard deviations that a size has to lie clear of nothing
BEND_DECAY_MS = 0.8  # of opening time, over which injectors come to their straight line
BEND_MS = 0.1  # standard deviation of the opening by which those that bend are off at the shortest pulse
BEND_CHANCE = 0.1  # that injectors bend, before a drive
EMPTY_LOAD, PRESSURE_PER_LOAD = 0.08, 0.9  # manifold over outside pressure by load, where it is not logged


@dataclass(frozen=True)
class Size:
    """How much of one shape is in lambda; NaN where the drive cannot tell."""

    value: float
    standard_error: float

    @property
    def ends(self) -> tuple[float, float]:
        """95 % interval."""
        return self.value - 1.96 * self.standard_error, self.value + 1.96 * self.standard_error

    def beyond(self, limit: float) -> bool:
        """Whether it passes a limit either way and is clear of nothing; never where it is not known."""
        return bool(abs(self.value) > limit and abs(self.value) > CERTAIN * self.standard_error)


UNKNOWN = Size(np.nan, np.nan)


@dataclass(frozen=True)
class Bend:
    """Injectors off their straight line at short pulses, as opening that acts beyond it at no opening time [ms]."""

    size: Size
    chance: float  # that they bend, 0 to 1
    mean_square_ms2: float  # expected square of the size
    dead_time_ms: np.ndarray  # by how much the fit's coefficients are off for each ms of it, shape (3,)
    log_factor: np.ndarray  # the same of the curve, shape (coefficients,)
    shortest_ms: float  # opening time of the shortest pulses driven

    @property
    def suspected(self) -> bool:
        """Whether it is more likely than not."""
        return self.chance > 0.5

    @property
    def spoken_for(self) -> bool:
        """Whether the drive speaks for one, so that every interval holds it; else they are those without one."""
        return self.chance * (1 - BEND_CHANCE) >= SPEAKS_FOR * BEND_CHANCE * (1 - self.chance)


@dataclass(frozen=True)
class Suspects:
    """The three of them."""

    battery: Size  # log lambda for each volt
    volts: float  # range of battery voltage that was driven
    regulator: Size  # share of what a regulator off the manifold would do
    bend: Bend

    @property
    def dead_time_hidden(self) -> str:
        """Why no dead time can be shown; empty where nothing speaks against it."""
        if self.battery.beyond(BATTERY_LIMIT):
            return f"{self.battery_words} What moves with the battery cannot be kept apart from the dead time."
        if self.regulator.value > 0 and self.regulator.beyond(WITHIN_HOSE):  # a hose that is off only adds
            return self.regulator_words
        return ""

    @property
    def regulator_words(self) -> str:
        """What the mixture does over load."""
        return (
            "The mixture changes with load as it does when the fuel-pressure regulator is not on the manifold "
            f"({100 * self.regulator.value:.0f} % of that), which passes for a dead-time error. Look at its hose; "
            "log manifold_kpa and fuel_pressure_kpa."
        )

    @property
    def battery_words(self) -> str:
        """What lambda does with the battery's voltage."""
        side = "leaner" if self.battery.value > 0 else "richer"
        return (
            f"At the same speed and load lambda reads {abs(100 * self.battery.value):.1f} % {side} for each volt more "
            "at the battery, at long pulses as at short ones."
        )

    @property
    def level_doubt(self) -> float:
        """Standard deviation of the curve's level that the battery leaves, so that 95 % reach over the volts driven."""
        return abs(self.battery.value) * self.volts / 2 if self.battery.beyond(BATTERY_LIMIT) else 0.0


def suspects_of(joint: Joint, *, rail_kpa: float | None) -> Suspects:
    """Weigh the three shapes beside a fit; `rail_kpa` is the pressure of a regulator that should be on the manifold."""
    blocks, design = joint.design.blocks, joint.design
    opened = np.maximum(np.exp(blocks["log_open"].to_numpy()) - design.volts @ joint.dead_time_ms, 0.1)
    volts = blocks["battery_v"].to_numpy() - design.reference_v
    span = float(np.ptp(np.quantile(volts, [0.02, 0.98])))
    return Suspects(
        battery=_size(joint, volts) if span >= LEAST_VOLTS else UNKNOWN,
        volts=span,
        regulator=UNKNOWN if rail_kpa is None else _size(joint, _unreferenced(joint, rail_kpa)),
        bend=_bend(joint, opened),
    )


def _size(joint: Joint, shape: np.ndarray) -> Size:
    return Size(*(float(value) for value in size_by_curve(joint, shape)[0]))


def _unreferenced(joint: Joint, rail_kpa: float) -> np.ndarray:
    """Log lambda that a regulator adds whose rail stays at one pressure over the outside, shape (blocks,)."""
    blocks = joint.design.blocks
    guessed = np.clip(blocks["load"].to_numpy() / PRESSURE_PER_LOAD + EMPTY_LOAD, 0.0, 1.0)
    ratio = np.where(np.isfinite(blocks["pressure_ratio"]), blocks["pressure_ratio"], guessed)
    return -0.5 * np.log1p((1.0 - ratio) * STANDARD_ATMOSPHERE_KPA / rail_kpa)


def _bend(joint: Joint, opened_ms: np.ndarray) -> Bend:
    """Weigh the size by the curve, against that it is none, each by its chance before the drive."""
    shape = -np.exp(-opened_ms / BEND_DECAY_MS) / opened_ms
    (value, error), solution = size_by_curve(joint, shape)
    variance = error**2 + BEND_MS**2
    odds = BEND_CHANCE / (1 - BEND_CHANCE) * error / np.sqrt(variance)
    odds *= np.exp(min(0.5 * value**2 * (1 / error**2 - 1 / variance), 50.0))
    chance, shrink = float(odds / (1 + odds)), BEND_MS**2 / variance
    return Bend(
        size=Size(float(value), float(error)),
        chance=chance,
        mean_square_ms2=float(chance * ((shrink * value) ** 2 + shrink * error**2)),
        dead_time_ms=solution.mean[joint.members[0].columns.parts["dead_time"]],
        log_factor=solution.mean,
        shortest_ms=float(np.quantile(opened_ms, 0.02)),
    )


def with_bend(posterior: Posterior, joint: Joint, bend: Bend) -> Posterior:
    """Widen curve and dead time by what injectors that bend would have put into them, where the drive speaks for them.

    The values stay.
    """
    if not bend.spoken_for:
        return posterior
    curve = curve_rows(joint.design, joint.members[0], posterior.reading) @ bend.log_factor
    more = np.sqrt(bend.mean_square_ms2)
    return replace(
        posterior,
        log_factor_sd=np.hypot(posterior.log_factor_sd, more * np.abs(curve)),
        dead_time_cov=posterior.dead_time_cov + bend.mean_square_ms2 * np.outer(bend.dead_time_ms, bend.dead_time_ms),
    )
