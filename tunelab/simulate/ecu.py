"""The engine management: metering, commanded lambda, trims, fuel cut, enrichment, idle, spark."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Any

from tunelab.simulate.engine import GAS_CONSTANT, best_spark, ecu_injector_flow_g_s
from tunelab.simulate.truth import KG_H, KG_H_IN_G_S, KILO, MILLI, Truth
from tunelab.simulate.vehicle import State, lookup, towards
from tunelab.workspace.car import Car, stated
from tunelab.workspace.revision import Revision, SparkRetreat

_SPEED_EDGES = (1250.0, 2000.0, 3000.0, 4500.0)
_LOAD_EDGES = (0.28, 0.45, 0.68)
_REFERENCE_DENSITY = 1.184  # of air at 25 °C and 101.325 kPa, kg/m³: SAE J1979 absolute load


@dataclass(frozen=True)
class EcuTables:
    """The revision as plain lists, for the inner loop."""

    reading: list[float]
    flow_kg_h: list[float]
    battery_v: list[float]
    dead_time_ms: list[float]
    injector_g_min: float
    stoich_afr: float
    rev_limit_rpm: float
    filling: FillingTables | None = None  # where the air comes from a table and not from a meter
    # Optional ones; None: the truth's own settings act.
    idle_base: Line | None = None  # opening over coolant temperature [%]
    idle_target: Line | None = None
    idle_return: tuple[float, float] | None = None  # extra opening while the throttle is open [%], its decay [s]
    tip_in: Surface | None = None  # percent of fuel per 100 %/s of throttle
    film: tuple[Surface, Surface] | None = None  # share X and time tau that the ECU makes up for
    cut_rpm: tuple[float, float] | None = None  # fuel is cut above, comes back below
    full_lambda: Line | None = None  # commanded at full load, over engine speed
    full_factor: Line | None = None  # on the fuel at full load
    retreat: tuple[SparkRetreat, ...] = ()


Line = tuple[list[float], list[float]]  # breakpoints and values
Surface = tuple[list[float], list[float], list[list[float]]]  # engine speeds, coolant temperatures, rows of values


def on_surface(surface: Surface, engine_speed_rpm: float, coolant_c: float) -> float:
    """Value of a table over engine speed and coolant temperature."""
    speeds, coolants, rows = surface
    along = [lookup(speeds, row, engine_speed_rpm) for row in rows]
    return lookup(coolants, along, coolant_c)


def _optional(revision: Revision) -> dict[str, Any]:
    """The tables that a revision may state, as the loop wants them."""
    r = revision
    found: dict[str, Any] = {}
    if r.idle_base is not None and r.idle_base.actuator_pct is not None:
        found["idle_base"] = (r.idle_base.coolant_c, r.idle_base.actuator_pct)
    if r.idle_target is not None:
        found["idle_target"] = (r.idle_target.coolant_c, r.idle_target.target_rpm)
    if r.idle_return is not None:
        found["idle_return"] = (r.idle_return.extra_pct or 0.0, r.idle_return.decay_s)
    if (tip_in := r.acceleration_fuel) is not None:
        axes = (tip_in.engine_speed_rpm, tip_in.coolant_c)
        if tip_in.amount is not None:
            found["tip_in"] = (*axes, tip_in.amount)
        else:
            found["film"] = ((*axes, tip_in.film_share), (*axes, tip_in.film_time_s))
    if r.fuel_cut is not None:
        found["cut_rpm"] = (r.fuel_cut.entry_rpm, r.fuel_cut.return_rpm)
    if (full := r.full_load_fuel) is not None:
        key = "full_factor" if full.fuel_factor is not None else "full_lambda"
        found[key] = (full.engine_speed_rpm, full.values.tolist())
    return found | {"retreat": tuple(r.spark_retreat or ())}


@dataclass(frozen=True)
class FillingTables:
    """A table over engine speed and load with the charge temperature law, as plain lists."""

    by_throttle: bool
    speed_rpm: list[float]
    load: list[float]
    kg_kelvin: list[list[float]]  # air per cycle of the whole engine times charge temperature, per kPa [kg K / kPa]
    weight_flow_kg_h: list[float]
    weight: list[float]


def filling_tables(revision: Revision, car: Car) -> FillingTables:
    """Take a table of volumetric efficiency apart once, before the loop."""
    table, charge = revision.air_table, car.charge_law
    if table.key == "efficiency_pct":
        by_load = [0.01 * car.engine.displacement_l * MILLI * KILO / GAS_CONSTANT] * len(table.load)
    else:
        where = f"in [volumetric_efficiency] of revisions/{revision.name}.toml"
        kelvin = stated(table.charge_c, f"charge_c {where}") + 273.15
        pressures = table.load.tolist()
        if table.load_key == "throttle_pct":
            pressures = [stated(table.barometer_kpa, f"barometer_kpa {where}")] * len(table.load)
        by_load = [1e-6 * car.engine.cylinders * kelvin / pressure for pressure in pressures]
    rows = [[value * factor for value in row] for row, factor in zip(table.values.tolist(), by_load, strict=True)]
    flows = charge.air_flow_kg_h or [0.0, 1.0]
    weights = charge.coolant_weight if charge.air_flow_kg_h else charge.coolant_weight * 2
    return FillingTables(
        table.load_key == "throttle_pct", [float(v) for v in table.engine_speed_rpm], table.load.tolist(), rows,
        [float(v) for v in flows], [float(v) for v in weights],
    )  # fmt: skip


def ecu_tables(revision: Revision, car: Car | None = None) -> EcuTables:
    """Take the revision apart once, before the loop; a car whose ECU has a table says so."""
    return EcuTables(
        [float(v) for v in revision.meter_curve.reading],
        [float(v) for v in revision.meter_curve.flow_kg_h],
        [float(v) for v in revision.dead_time.battery_v],
        [float(v) for v in revision.dead_time.dead_time_ms],
        revision.injectors.flow_g_min,
        revision.fuelling.stoich_afr,
        revision.fuelling.rev_limit_rpm,
        None if car is None or not car.has_table else filling_tables(revision, car),
        **_optional(revision),
    )


def table_flow_kg_h(s: State, tables: FillingTables, ambient_kpa: float) -> float:
    """Air flow by the table: bilinear between its cells, held beyond; its charge temperature by the flow before."""
    load = s.throttle_pct if tables.by_throttle else s.manifold_kpa
    at = min(max(load, tables.load[0]), tables.load[-1])
    row = min(max(bisect_right(tables.load, at) - 1, 0), len(tables.load) - 2)
    up = (at - tables.load[row]) / (tables.load[row + 1] - tables.load[row])
    speed = max(s.engine_speed_rpm, 100.0)
    value = (1.0 - up) * lookup(tables.speed_rpm, tables.kg_kelvin[row], speed)
    value += up * lookup(tables.speed_rpm, tables.kg_kelvin[row + 1], speed)
    weight = lookup(tables.weight_flow_kg_h, tables.weight, s.air_flow_kg_h)
    kelvin = 273.15 + s.intake_air_c + weight * (s.coolant_c - s.intake_air_c)
    pressure = ambient_kpa if tables.by_throttle else s.manifold_kpa
    return value * pressure / kelvin * speed / 120.0 * KG_H


def step_metering(s: State, truth: Truth, tables: EcuTables, dt: float) -> None:
    """Reading to air flow, averaged over half an engine cycle, and load."""
    if tables.filling is None:
        flow = lookup(tables.reading, tables.flow_kg_h, s.reading)
    else:
        flow = table_flow_kg_h(s, tables.filling, s.manifold_kpa + s.vacuum_kpa)
    speed = max(s.engine_speed_rpm, 100.0)
    s.air_flow_kg_h = towards(s.air_flow_kg_h, flow, dt, 60.0 / speed)
    full = _REFERENCE_DENSITY * truth.engine.displacement_l * MILLI * speed / 120.0 * KG_H
    s.air_flow_kg_h = min(s.air_flow_kg_h, 1.3 * full)  # more no engine of this size can draw
    s.load = s.air_flow_kg_h / full


def step_cut(s: State, truth: Truth, tables: EcuTables, dt: float) -> None:
    """Fuel cut on overrun with re-entry, rev limiter and launch hold."""
    ecu = truth.ecu
    above, ends = tables.cut_rpm or (ecu.cut_above_rpm, ecu.cut_ends_rpm)
    s.closed_clock = s.closed_clock + dt if s.throttle_pct < 1.2 else 0.0
    if s.is_cut:
        s.is_cut = s.engine_speed_rpm > ends and s.throttle_pct < 2.5
    else:
        s.is_cut = s.closed_clock > 0.3 and s.engine_speed_rpm > above and s.coolant_c > 40.0
    limit = min(tables.rev_limit_rpm, ecu.launch_rpm + 150.0) if s.launch else tables.rev_limit_rpm
    s.is_limited = s.engine_speed_rpm > (limit - 120.0 if s.is_limited else limit)
    s.since_cut = 0.0 if s.is_cut or s.is_limited else s.since_cut + dt


def step_command(s: State, truth: Truth, tables: EcuTables) -> None:
    """Commanded lambda and fuelling mode."""
    ecu = truth.ecu
    rich = min(max((s.load - ecu.full_load_from) / 0.12, 0.0), 1.0)
    cold = min(max((60.0 - s.coolant_c) / 80.0, 0.0), 1.0)
    full = lookup(*tables.full_lambda, s.engine_speed_rpm) if tables.full_lambda else ecu.lambda_full_load
    s.lambda_commanded = min(1.0 - rich * (1.0 - full), 1.0 - 0.15 * cold)
    s.full_factor = 1.0
    if tables.full_factor:
        s.full_factor += rich * (lookup(*tables.full_factor, s.engine_speed_rpm) - 1.0)
    if s.is_cut or s.is_limited:
        s.fuel_mode = 3
    elif rich > 0.05:
        s.fuel_mode = 4
    elif ecu.loop != "open" and s.run_clock > 25.0 and s.coolant_c > 55.0 and s.since_cut > 1.0:
        s.fuel_mode = 2
    else:
        s.fuel_mode = 1


def _step_short(s: State, truth: Truth, dt: float) -> None:
    ecu = truth.ecu
    if ecu.loop == "switching":
        departure = s.narrow - s.lambda_commanded
        is_lean = departure > (-0.004 if s.is_lean else 0.004)
        jump = ecu.trim_step_pct if is_lean != s.is_lean else 0.0
        s.is_lean = is_lean
        s.short_pct += (ecu.trim_rate_pct_s * dt + jump) * (1.0 if is_lean else -1.0)
    else:
        departure = min(max(s.wide - s.lambda_commanded, -0.2), 0.2)
        s.short_pct += 100.0 * departure * 0.01 * ecu.trim_rate_pct_s * 10.0 * dt
    s.short_pct = min(max(s.short_pct, -ecu.trim_limit_pct), ecu.trim_limit_pct)


def step_trims(s: State, truth: Truth, dt: float) -> None:
    """Short-term integrator, and the long-term cells that slowly take over its mean."""
    s.cell = bisect_right(_SPEED_EDGES, s.engine_speed_rpm) * 4 + bisect_right(_LOAD_EDGES, s.load)
    if s.fuel_mode != 2:
        s.short_pct = 0.0
        return
    if s.enrichment_pct > 2.0:
        return
    _step_short(s, truth, dt)
    if s.coolant_c > 70.0:
        moved = s.short_pct * truth.ecu.learn_rate_per_s * dt
        taken = min(max(s.long_cells[s.cell] + moved, -20.0), 20.0)
        s.short_pct -= taken - s.long_cells[s.cell]
        s.long_cells[s.cell] = taken


def step_enrichment(s: State, truth: Truth, tables: EcuTables, dt: float) -> None:
    """Fuel added while the throttle opens; none where the ECU makes up for the wall film instead."""
    rate = (s.throttle_pct - s.throttle_before) / dt
    s.throttle_before = s.throttle_pct
    gain = truth.ecu.enrichment_gain
    if tables.tip_in:
        gain = on_surface(tables.tip_in, s.engine_speed_rpm, s.coolant_c) / 100.0
    fresh = gain * rate if rate > 40.0 and not tables.film else 0.0
    s.enrichment_pct = min(max(s.enrichment_pct * (1.0 - dt / truth.ecu.enrichment_decay_s), fresh), 60.0)
    if s.enrichment_pct < 0.05:
        s.enrichment_pct = 0.0


def _with_film(s: State, tables: EcuTables, wanted_g_s: float, dt: float) -> float:
    """Fuel to inject so that what is wanted reaches the cylinders, by the ECU's own film. [g/s]"""
    share, tau = (on_surface(one, s.engine_speed_rpm, s.coolant_c) for one in tables.film or ())
    injected = max((wanted_g_s - s.own_film_g / tau) / (1.0 - share), 0.0)
    s.own_film_g += dt * (share * injected - s.own_film_g / tau)
    return injected


def step_pulse(s: State, truth: Truth, tables: EcuTables, dt: float) -> None:
    """Pulse width from air, commanded lambda, trims and the revision's injector data."""
    if s.fuel_mode == 3 or s.engine_speed_rpm < 60.0 or not s.key:
        s.pulse_ms = 0.0
        s.duty = 0.0
        s.own_film_g = 0.0
        return
    injectors = truth.injectors
    events_s = injectors.count * injectors.injections_per_cycle * s.engine_speed_rpm / 120.0
    fuel_g_s = s.air_flow_kg_h / KG_H_IN_G_S / (tables.stoich_afr * s.lambda_commanded)
    fuel_g_s *= (1.0 + (s.short_pct + s.long_cells[s.cell]) / 100.0) * (1.0 + s.enrichment_pct / 100.0)
    fuel_g_s *= s.full_factor
    if s.engine_speed_rpm < 450.0:
        fuel_g_s *= 1.6
    if tables.film:
        fuel_g_s = _with_film(s, tables, fuel_g_s, dt)
    flow = ecu_injector_flow_g_s(injectors, tables.injector_g_min, s.vacuum_kpa)
    longest_ms = KILO * injectors.count / events_s
    pulse_ms = fuel_g_s / events_s / flow * KILO + lookup(tables.battery_v, tables.dead_time_ms, s.battery_v)
    s.pulse_ms = min(pulse_ms, longest_ms)
    s.duty = s.pulse_ms / longest_ms


def step_idle(s: State, truth: Truth, tables: EcuTables, dt: float) -> None:
    """Idle air: a slow integrator and a quick proportional part. Too quick an integrator swings, as in a real car."""
    ecu = truth.ecu
    target = ecu.idle_target_rpm + 5.0 * max(60.0 - s.coolant_c, 0.0)
    s.idle_target_rpm = ecu.idle_target_rpm
    if tables.idle_target:
        target = s.idle_target_rpm = lookup(*tables.idle_target, s.coolant_c)
    base = 32.0
    if tables.idle_base:
        base = lookup(*tables.idle_base, s.coolant_c)
        s.idle_integral += base - s.idle_base if s.idle_base else 0.0
        s.idle_base = base
    departure = min(max(target - s.engine_speed_rpm, -ecu.idle_reach_rpm), ecu.idle_reach_rpm)
    if s.throttle_pct < 1.2 and s.engine_speed_rpm < target + 500.0 and s.run_clock > 1.0:
        s.idle_integral = min(max(s.idle_integral + 0.025 * ecu.idle_gain * departure * dt, 2.0), 95.0)
    else:
        s.idle_integral = towards(s.idle_integral, base, dt, 8.0)
    if tables.idle_return:
        extra, decay_s = tables.idle_return
        s.idle_extra = extra if s.throttle_pct >= 1.2 else towards(s.idle_extra, 0.0, dt, decay_s)
    wanted = min(max(s.idle_integral + s.idle_extra + 0.02 * departure, 1.0), 100.0)
    s.idle_pct = towards(s.idle_pct, wanted, dt, 0.08)


def _retreat_deg(s: State, tables: EcuTables) -> float:
    """By how much less advance the cells of the revision have here."""
    inside = (
        cell.retreat_deg
        for cell in tables.retreat
        if cell.engine_speed_from_rpm <= s.engine_speed_rpm < cell.engine_speed_to_rpm
        and cell.load_from_pct <= 100.0 * s.load < cell.load_to_pct
    )
    return sum(inside)


def step_spark(s: State, truth: Truth, tables: EcuTables, luck: float, dt: float) -> None:
    """Spark map, idle stabilising, launch retard and knock control. `luck` is uniform in 0 to 1."""
    ecu, engine = truth.ecu, truth.engine
    relative = s.engine_speed_rpm / engine.ve_speed_rpm - 1.0
    spark = ecu.spark_full_load_deg + ecu.spark_part_load_deg * (1.0 - min(s.load, 1.0)) + 7.0 * relative
    spark -= _retreat_deg(s, tables)
    if s.throttle_pct < 1.2 and s.engine_speed_rpm < ecu.idle_target_rpm + 600.0:
        spark = min(max(14.0 + 0.03 * (ecu.idle_target_rpm - s.engine_speed_rpm), 4.0), 26.0)
    if s.launch and s.engine_speed_rpm > ecu.launch_rpm - 250.0:
        spark = max(spark - 0.14 * (s.engine_speed_rpm - ecu.launch_rpm + 250.0), -12.0)
    limit = engine.knock_limit_deg + 14.0 * (1.0 - s.load) + 7.0 * relative - 0.25 * (s.intake_air_c - 25.0)
    margin = spark - s.retard_deg - limit - 20.0 * max(s.mixture - 0.95, 0.0)
    rate_s = (
        min(0.6 * 2.718 ** min(margin / 1.2, 3.0), 8.0)
        if s.load > 0.5 and margin > -8.0 and s.engine_speed_rpm > 700.0
        else 0.0
    )
    s.retard_deg = max(s.retard_deg - 0.5 * dt, 0.0)
    if luck < rate_s * dt:
        s.retard_deg = min(s.retard_deg + 1.5, 9.0)
    s.spark_deg = spark - s.retard_deg
    away = max(best_spark(engine, s.engine_speed_rpm, s.load) - s.spark_deg, 0.0)
    s.spark_loss = min(0.00025 * away * away, 0.85)
