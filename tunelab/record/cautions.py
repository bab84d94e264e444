"""The usual cautions of road and event testing, with the owner's own limits; calm, and in every record."""

from __future__ import annotations

from tunelab.workspace.car import Car

# Common practice of the trade, no source.
USUAL = (
    "Drive tests on a closed road or at an event; on a public road only what traffic and the law leave room for. "
    "A passenger looks after the laptop, never the driver.",
    "End a run at once on knock, on a lean reading under load, on a temperature out of bounds, on falling oil or fuel "
    "pressure, or on any smell of fuel; coast down, switch off, and look before the next run.",
    "Check the brakes before any test that ends fast, and let them cool between runs.",
    "A change of fuelling can put a road car outside the emissions law of its country; that is the owner's to settle.",
    "A proposal is for a person to read, doubt and enter. Change one revision at a time, keep the old one at hand, "
    "and begin with gentle driving.",
)


def cautions_for(car: Car) -> tuple[str, ...]:
    """Return the usual cautions, and one sentence that repeats the owner's limits."""
    limits = car.limits
    own = (
        f"The owner's limits stand above all here: {limits.rev_limit_rpm:g} rpm, {limits.top_speed_km_h:g} km/h, "
        f"lambda {limits.lambda_max_full_load:g} at full load, coolant from {limits.coolant_min_c:g} to "
        f"{limits.coolant_max_c:g} °C, injector duty {limits.injector_duty_max_pct:g} %, "
        f"knock retard {limits.knock_retard_max_deg:g}°, battery {limits.battery_min_v:g} V. "
        "Nothing in this record is a reason to go past them."
    )
    return (own, *USUAL)
