"""The usual cautions of driving a test, with the owner's own limits, in one place.

All of it is common practice of the trade, no source.
"""

from __future__ import annotations

from tunelab.workspace.car import Car

USUAL = (
    "Drive tests on a closed road or at an event; on a public road only what traffic and the law leave room for.",
    "A passenger looks after the laptop, never the driver.",
    "End a run at once on knock, on a lean reading under load, on a temperature out of bounds, on falling oil or fuel "
    "pressure, or on any smell of fuel; coast down, switch off, and look before the next run.",
    "Check the brakes before any test that ends fast or holds against them, and let them cool between runs.",
    "A change of fuelling can put a road car outside the emissions law of its country; that is the owner's to settle.",
    "A proposal is for a person to read, doubt and enter. Change one revision at a time, keep the old one at hand, and "
    "begin with gentle driving.",
)
BRAKE_HOLD = (
    "Holding against the brake heats it fast: a light left foot, no longer than stated, then roll freely for the time "
    "stated. Stop for the day at a soft pedal, a smell of hot lining or smoke; never park with hot brakes applied."
)
STANDING_HOLD = (
    "Standing holds: outdoors, neutral, hand brake on, nobody in front or behind, exhaust clear of dry grass; "
    "watch the coolant, there is no wind through the radiator."
)
HIGH_LOAD = (
    "High load comes last, only once the part load around it reads right: a few seconds, eyes on lambda and knock, and "
    "off at the first sign."
)


def cautions_for(car: Car) -> tuple[str, ...]:
    """Return one sentence that repeats the owner's limits, and the usual cautions."""
    limits = car.limits
    own = (
        f"The owner's limits come first: {limits.rev_limit_rpm:g} rpm, {limits.top_speed_km_h:g} km/h, "
        f"lambda {limits.lambda_max_full_load:g} at full load, knock retard {limits.knock_retard_max_deg:g}°, "
        f"coolant {limits.coolant_min_c:g} to {limits.coolant_max_c:g} °C, intake air {limits.intake_air_max_c:g} °C, "
        f"battery {limits.battery_min_v:g} V. Nothing here is a reason to pass them."
    )
    return (own, *USUAL)
