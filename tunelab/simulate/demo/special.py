"""The demo car as it really is: a two-seat hill-climb special with a 3.0 L straight-six. All of it invented."""

from __future__ import annotations

from tunelab.physics.fuels import stoich_afr
from tunelab.simulate.logger import Link
from tunelab.simulate.schedule import Driver
from tunelab.simulate.truth import (
    EcuTruth,
    EngineTruth,
    FilmTruth,
    InjectorTruth,
    MeterTruth,
    SensorTruth,
    SupplyTruth,
    Truth,
    VehicleTruth,
)

TRUTH = Truth(
    name="Hill-climb special",
    engine=EngineTruth(
        displacement_l=2.99,
        cylinders=6,
        compression=10.2,
        ve_peak=0.94,
        ve_speed_rpm=4400.0,
        ve_fall=0.24,
        ve_ripple=0.015,
        ve_ripple_rpm=1900.0,
        throttle_bore_mm=64.0,
        manifold_volume_l=5.2,
        idle_bore_mm=12.5,
        indicated_efficiency=0.365,
        friction_bar=(0.72, 0.12, 0.018),
        inertia_kg_m2=0.19,
        overlap_lean=0.0,
        knock_limit_deg=21.5,
    ),
    meter=MeterTruth(
        kind="voltage",
        zero=0.36,
        slope=(4.72**2 - 0.36) / 800.0**0.6,
        exponent=0.6,
        root=0.5,
        rail_low=0.02,
        rail_high=4.98,
        lag_s=0.016,
        noise=0.008,
        noise_time_s=0.06,
        pulsation_peak=0.24,
        pulsation_load=0.86,
        pulsation_width=0.045,
        pulsation_speed_rpm=1800.0,
        pulsation_noise=0.15,
    ),
    injectors=InjectorTruth(
        count=6,
        injections_per_cycle=1,
        flow_g_min=322.0,
        rated_pressure_kpa=300.0,
        rail_pressure_kpa=300.0,
        is_manifold_referenced=True,
        ecu_compensates_pressure=False,
        dead_time_ms=0.98,
        dead_time_power=1.55,
        pressure_drop_kpa=9.0,
    ),
    film=FilmTruth(share=0.24, tau_s=0.28, share_cold=0.35, tau_cold=1.6),
    sensor=SensorTruth(
        delay_s=0.062,
        delay_flow_s_kg_h=4.1,
        lag_s=0.095,
        noise=0.004,
        gain=1.0,
        rail_low=0.65,
        rail_high=1.8,
        warm_up_s=16.0,
        bank_2=None,
    ),
    ecu=EcuTruth(
        loop="switching",
        trim_rate_pct_s=4.0,
        trim_step_pct=1.4,
        trim_limit_pct=25.0,
        learn_rate_per_s=0.008,
        lambda_full_load=0.87,
        full_load_from=0.68,
        idle_target_rpm=880.0,
        cut_above_rpm=1700.0,
        cut_ends_rpm=1300.0,
        enrichment_gain=0.08,
        enrichment_decay_s=0.3,
        launch_rpm=4200.0,
        spark_full_load_deg=17.5,
        spark_part_load_deg=21.0,
    ),
    vehicle=VehicleTruth(
        mass_kg=968.0,
        ratios=(3.42, 2.12, 1.48, 1.13, 0.89),
        final_drive=3.91,
        rolling_radius_m=0.297,
        wheel_inertia_kg_m2=3.1,
        drag_area_m2=0.63,
        rolling_coefficient=0.0138,
        driveline_efficiency=0.925,
        driven_weight_share=0.55,
        tyre_grip=1.12,
        slip_at_grip=0.08,
        clutch_nm=430.0,
        speed_reading=1.012,
    ),
    supply=SupplyTruth(
        charging_v=14.2, battery_v=12.6, alternator_a=72.0, base_a=14.0, wiring_ohm=0.012, ripple_v=0.03
    ),
    stoich_afr=float(stoich_afr(1.89, 0.0166)),
    heating_mj_kg=42.4,
)

MARIT = Driver(
    "Marit Oldskar",
    wobble_pct=1.2,
    shift_s=0.42,
    take_off_s=1.5,
    launch_release_s=0.45,
    launch_throttle_pct=20.0,
    spread=0.1,
)
PIA = Driver(
    "Pia Lundrek",
    wobble_pct=1.8,
    shift_s=0.55,
    take_off_s=1.8,
    launch_release_s=0.7,
    launch_throttle_pct=26.0,
    spread=0.35,
)

LOOSE_LOOM = Link(per_hour_idle=8.0, per_hour_running=60.0, per_hour_shaken=20.0, chance_crank=0.9, gap_s=(2.0, 9.0))
BOUND_LOOM = Link(per_hour_idle=0.3, per_hour_running=1.5, per_hour_shaken=0.8, chance_crank=0.1, gap_s=(1.5, 4.0))
