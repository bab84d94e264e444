"""The driver: pedals, clutch and lever, by the task in hand."""

from __future__ import annotations

import math
from collections.abc import Callable

from tunelab.simulate.schedule import Driver, Task
from tunelab.simulate.truth import KILO, KM_H, Truth
from tunelab.simulate.vehicle import State, gear_ratio

_GENTLE_PCT_S = 70.0  # how fast the foot opens the throttle
_SUDDEN_PCT_S = 400.0  # and where a test asks for a step
_MORE_PCT_S = 25.0  # how fast a launch opens the throttle once the clutch is home
_BITE = 0.6  # clutch travel at which a launch begins to pull
_APPROACH_S = 30.0  # after this a speed that cannot be reached is given up


def _speed_in(truth: Truth, s: State, gear: int) -> float:
    """Engine speed that the present road speed gives in a gear. [rpm]"""
    return s.speed_m_s / truth.vehicle.rolling_radius_m * gear_ratio(truth, gear) * 30.0 / math.pi


def _change(s: State, truth: Truth, shift_s: float, dt: float) -> None:
    """A gear change under way: clutch down, lever, clutch up with the engine near the new speed."""
    s.shift_clock += dt
    wanted = _speed_in(truth, s, s.shift_gear)
    s.pedal_pct = 18.0 if wanted > s.engine_speed_rpm + 150.0 else 0.0
    if s.shift_clock < shift_s:
        s.clutch_open = 1.0
        if s.shift_clock > 0.6 * shift_s:
            s.gear = s.shift_gear
        return
    s.clutch_open = max(1.0 - (s.shift_clock - shift_s) / 0.35, 0.0)
    if s.clutch_open <= 0.0:
        s.shift_gear = -1


def _begin_change(s: State, gear: int) -> None:
    s.shift_gear, s.shift_clock = gear, 0.0


def _take_off(s: State, driver: Driver, dt: float) -> None:
    """From a stand in first: some throttle, the clutch let go as the engine bears it."""
    if s.gear != 1:
        s.clutch_open, s.gear = 1.0, 1
    step = 15.0 if s.engine_speed_rpm < 1700.0 else -15.0 if s.engine_speed_rpm > 2300.0 else 0.0
    s.pedal_pct = min(max(s.pedal_pct + step * dt, 2.0), 35.0)
    if s.engine_speed_rpm > 1300.0:
        s.clutch_open = max(s.clutch_open - dt / driver.take_off_s, 0.0)
    elif s.engine_speed_rpm < 950.0:
        s.clutch_open = min(s.clutch_open + dt / 0.3, 1.0)


def _in_gear(s: State, truth: Truth, driver: Driver, gear: int, dt: float) -> bool:
    """Work towards a gear with the clutch up; True once there. Sets the pedals while it is not."""
    s.brake = 0.0
    if s.shift_gear >= 0:
        _change(s, truth, driver.shift_s, dt)
        return False
    if s.gear == 0 and s.speed_m_s > 3.0:
        _begin_change(s, gear)
        return False
    if s.gear <= 1 and (not s.is_locked or s.gear == 0):
        _take_off(s, driver, dt)
        return False
    s.clutch_open = max(s.clutch_open - dt / 0.35, 0.0)
    if s.gear == gear:
        return s.is_locked
    _step_gear(s, truth, gear)
    return False


def _step_gear(s: State, truth: Truth, gear: int) -> None:
    if gear > s.gear:
        s.pedal_pct = 32.0
        if _speed_in(truth, s, s.gear + 1) > 1350.0 or s.engine_speed_rpm > 3600.0:
            _begin_change(s, s.gear + 1)
    elif _speed_in(truth, s, s.gear - 1) > 4300.0:
        s.pedal_pct, s.brake = 0.0, 0.25
    else:
        _begin_change(s, s.gear - 1)


def _hold_speed(s: State, target_rpm: float, throttle_pct: float, dt: float) -> None:
    """Throttle where it was asked; the brake holds the speed, or more throttle if the car would slow down."""
    away = (s.engine_speed_rpm - target_rpm) / KILO
    s.hold_integral = min(max(s.hold_integral + 0.7 * away * dt, -0.6), 0.8)
    effort = 1.1 * away + s.hold_integral
    s.brake = min(max(effort, 0.0), 0.8)
    s.pedal_pct = min(max(throttle_pct - 45.0 * min(effort, 0.0), 0.0), 100.0)


def _approach(s: State, target_rpm: float, throttle_pct: float) -> bool:
    """Bring the engine speed near its target; True once it is there."""
    away = s.engine_speed_rpm - target_rpm
    if abs(away) < 60.0:
        return True
    s.pedal_pct = max(throttle_pct, 30.0) if away < 0 else 0.0
    s.brake = min(max((away - 150.0) / 1500.0, 0.0), 0.35)
    return False


def _do_hold(s: State, truth: Truth, driver: Driver, task: Task, dt: float) -> bool:
    if not _in_gear(s, truth, driver, task.gear, dt):
        return s.task_clock > _APPROACH_S
    if s.phase == 0:
        s.hold_integral = 0.0
        s.phase = 1 if _approach(s, task.engine_speed_rpm, task.throttle_pct) else 0
        return s.task_clock > _APPROACH_S
    _hold_speed(s, task.engine_speed_rpm, task.throttle_pct, dt)
    s.settled_clock += dt
    return s.settled_clock > task.seconds


def _do_cruise(s: State, truth: Truth, driver: Driver, task: Task, dt: float) -> bool:
    if not _in_gear(s, truth, driver, task.gear, dt):
        return s.task_clock > _APPROACH_S
    away = task.speed_km_h / KM_H - s.speed_m_s
    if away > 1.5:
        s.pedal_pct, s.hold_integral = 30.0, 9.0
        return s.task_clock > _APPROACH_S + task.seconds
    s.hold_integral = min(max(s.hold_integral + 0.8 * away * dt, 0.0), 60.0)
    s.pedal_pct = max(s.hold_integral + 4.0 * away, 0.0)
    s.brake = min(max((-away - 1.5) * 0.08, 0.0), 0.3)
    s.settled_clock += dt
    return s.settled_clock > task.seconds


def _do_pull(s: State, truth: Truth, driver: Driver, task: Task, dt: float) -> bool:
    if not _in_gear(s, truth, driver, task.gear, dt):
        return s.task_clock > _APPROACH_S
    if s.phase == 0:
        s.phase = 1 if _approach(s, task.engine_speed_rpm, 12.0) else 0
        return s.task_clock > _APPROACH_S
    s.brake = 0.0
    s.pedal_pct = task.throttle_pct
    s.settled_clock += dt
    return s.engine_speed_rpm > task.until_rpm or s.settled_clock > task.seconds


def _do_overrun(s: State, truth: Truth, driver: Driver, task: Task, dt: float) -> bool:
    if not _in_gear(s, truth, driver, task.gear, dt):
        return s.task_clock > _APPROACH_S
    if s.phase == 0:
        s.phase = 1 if s.engine_speed_rpm > task.engine_speed_rpm - 60.0 else 0
        s.pedal_pct = 35.0
        return s.task_clock > _APPROACH_S
    s.pedal_pct, s.brake = 0.0, 0.0
    s.settled_clock += dt
    return s.engine_speed_rpm < task.until_rpm or s.settled_clock > task.seconds


def _do_tip_in(s: State, truth: Truth, driver: Driver, task: Task, dt: float) -> bool:
    if not _in_gear(s, truth, driver, task.gear, dt):
        return s.task_clock > _APPROACH_S
    if s.phase == 0:
        s.hold_integral = 0.0
        s.phase = 1 if _approach(s, task.engine_speed_rpm, 8.0) else 0
        return s.task_clock > _APPROACH_S
    s.settled_clock += dt
    if s.settled_clock < 2.0 or s.settled_clock > 3.5:
        _hold_speed(s, task.engine_speed_rpm, 8.0, dt)
    else:
        s.brake, s.pedal_pct = 0.0, task.throttle_pct
    return s.settled_clock > task.seconds


def _do_free_roll(s: State, truth: Truth, driver: Driver, task: Task, dt: float) -> bool:
    if s.phase == 0:
        if _in_gear(s, truth, driver, task.gear, dt):
            s.pedal_pct = 45.0
            s.phase = 1 if s.speed_m_s * KM_H > task.speed_km_h else 0
        return s.task_clock > 2.0 * _APPROACH_S
    s.pedal_pct, s.brake, s.gear, s.clutch_open = 0.0, 0.0, 0, 0.0
    s.settled_clock += dt
    return s.speed_m_s * KM_H < task.until_km_h or s.settled_clock > task.seconds


def _do_stop(s: State, truth: Truth, driver: Driver, task: Task, dt: float) -> bool:
    s.pedal_pct, s.brake, s.shift_gear = 0.0, 0.3, -1
    if s.engine_speed_rpm < 1300.0 or not s.is_locked:
        s.clutch_open = 1.0
    if s.speed_m_s < 0.3:
        s.gear, s.clutch_open = 0, 0.0
        s.settled_clock += dt
    return s.settled_clock > task.seconds


def _do_launch(s: State, truth: Truth, driver: Driver, task: Task, dt: float) -> bool:
    s.settled_clock += dt
    if s.phase == 0:
        s.gear, s.clutch_open, s.brake, s.launch, s.pedal_pct = 1, 1.0, 0.4, True, task.throttle_pct
        if s.settled_clock > 2.5:
            s.phase, s.clutch_open, s.hold_integral = 1, _BITE, 0.0
        return False
    s.brake, s.launch = 0.0, False
    if s.shift_gear >= 0:
        _change(s, truth, task.shift_s, dt)
    else:
        s.clutch_open = max(s.clutch_open - dt / task.release_s, 0.0)
        s.hold_integral += _MORE_PCT_S * dt if s.clutch_open <= 0.0 else 0.0
        s.pedal_pct = min(task.throttle_pct + s.hold_integral, 100.0)
        if s.is_locked and s.engine_speed_rpm > task.engine_speed_rpm and s.gear < len(truth.vehicle.ratios):
            _begin_change(s, s.gear + 1)
    return s.speed_m_s * KM_H > task.speed_km_h or s.settled_clock > task.seconds


def _do_off(s: State, truth: Truth, driver: Driver, task: Task, dt: float) -> bool:
    s.key, s.gear, s.pedal_pct, s.brake, s.clutch_open = False, 0, 0.0, 0.3, 0.0
    s.settled_clock += dt
    return s.settled_clock > task.seconds


def _do_start(s: State, truth: Truth, driver: Driver, task: Task, dt: float) -> bool:
    s.key = True
    s.settled_clock += dt
    s.crank = s.settled_clock > 2.0 and s.phase == 0
    if s.engine_speed_rpm > 550.0:
        s.phase = 1
    return s.settled_clock > task.seconds


_HANDS: dict[str, Callable[[State, Truth, Driver, Task, float], bool]] = {
    "off": _do_off,
    "start": _do_start,
    "idle": _do_stop,
    "hold": _do_hold,
    "pull": _do_pull,
    "cruise": _do_cruise,
    "overrun": _do_overrun,
    "tip-in": _do_tip_in,
    "free-roll": _do_free_roll,
    "stop": _do_stop,
    "launch": _do_launch,
}


def _restart(s: State) -> None:
    """Clutch down and crank after a stall."""
    if s.key and s.engine_speed_rpm < 300.0:
        s.crank, s.clutch_open, s.pedal_pct = True, 1.0, 3.0
    elif s.engine_speed_rpm > 550.0:
        s.crank = False


def step_driver(s: State, truth: Truth, driver: Driver, task: Task, dt: float) -> bool:
    """Work the controls for one step; True when the task is done."""
    before = s.pedal_pct
    s.task_clock += dt
    s.load_a, s.charging, s.heading_deg = task.load_a, task.is_charging, task.heading_deg
    s.grade += (task.grade - s.grade) * dt / 3.0
    is_done = _HANDS[task.kind](s, truth, driver, task, dt)
    if task.kind != "start":
        _restart(s)
    quickest = _SUDDEN_PCT_S if task.kind in ("pull", "tip-in", "launch") else _GENTLE_PCT_S
    s.pedal_pct = min(max(s.pedal_pct, before - 2.0 * _SUDDEN_PCT_S * dt), before + quickest * dt)
    if is_done:
        s.task += 1
        s.task_clock = s.settled_clock = 0.0
        s.phase = 0
        return True
    return False
