"""What the link study states, compared with what the owner can live with."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tunelab.study.finding import Finding, Status, status_within
from tunelab.study.link.evidence import BY_CHANCE
from tunelab.study.link.noise import Supply
from tunelab.study.link.order import OrderNoise
from tunelab.study.link.study import LinkStudy
from tunelab.workspace.car import Car

FEWEST_FOR_A_HUNDREDTH = 100  # readings: below that no reading is the lowest 1 % of them


def link_findings(
    study: LinkStudy, orders: Sequence[OrderNoise], car: Car, *, tolerable_per_h: float, supply: Supply | None
) -> list[Finding]:
    """Findings of the link study, in the order in which a reader wants them.

    Parameters
    ----------
    study, orders, supply
        The finished parts of the study.
    car : Car
        Its lowest supply voltage.
    tolerable_per_h : float
        Drop-outs per hour that a drive can live with. [1/h]
    """
    return [
        _rate(study, tolerable_per_h),
        _change(study),
        _per_start(study),
        _in_step(study, orders),
        _supply(study, supply, car.limits.battery_min_v),
    ]


def _finding(study: LinkStudy, name: str, title: str, unit: str, **rest: object) -> Finding:
    """Fill in what the findings share; numbers that are not finite become None."""
    numbers = {key: _number(rest.pop(key, None)) for key in ("value", "lower", "upper", "limit")}
    counts = {"samples_used": study.here.samples_used, "samples_flagged": study.here.samples_flagged}
    return Finding(id=f"link.{name}", title=title, unit=unit, confidence=study.confidence, **numbers, **(counts | rest))


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and np.isfinite(value) else None


def _rate(study: LinkStudy, limit: float) -> Finding:
    rate, here = study.rate, study.here
    title, unit = "How often the link drops out", "1/h"
    if not rate.seconds:
        because = "No logged time."
        return _finding(study, "drop_outs", title, unit, status="not_shown", limit=limit, because=because)
    status = status_within(rate.per_h, rate.lower_per_h, rate.upper_per_h, most=limit)
    status = "not_shown" if status == "watch" and not rate.events else status
    because = (
        f"{rate.events or 'no'} drop-out{'' if rate.events == 1 else 's'} in {rate.seconds / 60:.1f} min of logged "
        f"time; {rate.lower_per_h:.2g} to {rate.upper_per_h:.2g} per hour fit that."
    )
    if status == "not_shown":
        because += " Too short a drive to show that the link holds."
        return _finding(study, "drop_outs", title, unit, status=status, limit=limit, because=because)
    if here.ends_running:
        because += " The log ends with the engine running: if the link broke there, note it in session.toml."
    ends = {"value": rate.per_h, "lower": rate.lower_per_h, "upper": rate.upper_per_h}
    return _finding(study, "drop_outs", title, unit, status=status, limit=limit, because=because, **ends)


def _change(study: LinkStudy) -> Finding:
    title, unit, change = "Drop-out rate after the rewiring over the rate before", "1", study.change
    if change is None:
        because = "No other wiring was driven before, or session.toml does not name it, so there is nothing to compare."
        return _finding(study, "wiring_change", title, unit, status="not_shown", because=because, limit=1.0)
    if change.verdict == "not shown yet":
        return _finding(study, "wiring_change", title, unit, status="not_shown", because=change.because, limit=1.0)
    status = status_within(change.ratio.ratio, change.ratio.lower, change.ratio.upper, most=1.0)
    ends = {"value": change.ratio.ratio, "lower": change.ratio.lower, "upper": change.ratio.upper}
    return _finding(study, "wiring_change", title, unit, status=status, because=change.because, limit=1.0, **ends)


def _per_start(study: LinkStudy) -> Finding:
    title, unit, chance = "Drop-outs per start of the engine", "1", study.per_start
    if not chance.tries:
        because = "No start of the engine was logged with this wiring."
        return _finding(study, "starts", title, unit, status="not_shown", because=because)
    because = f"{chance.events} of {chance.tries} starts with this wiring came with a drop-out."
    if not chance.events:
        because += f" Up to {chance.upper:.0%} of the starts may still drop it."
    status: Status = "watch" if chance.events else "not_shown"
    ends = {"value": chance.share, "lower": chance.lower, "upper": chance.upper} if chance.events else {}
    return _finding(study, "starts", title, unit, status=status, because=because, **ends)


def _in_step(study: LinkStudy, orders: Sequence[OrderNoise]) -> Finding:
    title = "Noise that keeps step with the engine: channels that show it"
    tested = [item for item in orders if item.was_tested]
    if not tested:
        why = next((item.because for item in orders), "the log has no engine speed, or no analog channel")
        because = f"It could not be tested: {why}."
        return _finding(study, "noise_in_step", title, "channels", status="not_shown", because=because)
    found = [item for item in tested if item.p_value <= (1 - study.confidence) / len(tested)]
    channels = sorted({item.channel for item in found})
    if found:
        worst = min(found, key=lambda item: item.p_value)
        because = f"{', '.join(channels)}; clearest is {worst.channel} with {worst.source}."
    else:
        because = (
            f"None of {len(tested)} pairs of channel and source is above the noise; weaker noise may still be there."
        )
    counts = {"samples_used": max(i.samples_used for i in tested), "samples_flagged": 0}
    counts["samples_flagged"] = min(i.samples_flagged for i in tested)
    status: Status = "watch" if found else "not_shown"
    value = len(channels) if found else None
    return _finding(study, "noise_in_step", title, "channels", status=status, because=because, value=value, **counts)


def _supply(study: LinkStudy, supply: Supply | None, limit: float) -> Finding:
    title, unit = "Lowest supply voltage with the engine running (1 % of readings are lower)", "V"
    if supply is None or not np.isfinite(supply.dip_v):
        because = "No supply voltage was logged with the engine running."
        return _finding(study, "supply", title, unit, status="not_shown", limit=limit, because=because)
    if supply.running < FEWEST_FOR_A_HUNDREDTH:
        because = f"Only {supply.running} readings with the engine running; {FEWEST_FOR_A_HUNDREDTH} are the least."
        return _finding(study, "supply", title, unit, status="not_shown", limit=limit, because=because)
    lower, upper = supply.dip_interval_v
    status = status_within(supply.dip_v, lower, upper, least=limit)
    because = f"The owner's limit is {limit:g} V."
    if supply.drop_outs_seen:
        because += f" {supply.dips} of {supply.drop_outs_seen} drop-outs began below {supply.dip_v:.1f} V"
        because += ", more than chance." if supply.p_dips < BY_CHANCE else "; chance alone may do that."
    if not np.isfinite(lower):
        because = f"It read {supply.dip_v:g} V throughout, so the reading may be dead. {because}"
        if status != "watch" or supply.dip_v >= limit:
            return _finding(study, "supply", title, unit, status="not_shown", limit=limit, because=because)
    ends = {"value": supply.dip_v, "lower": lower, "upper": upper}
    counts = {"samples_used": supply.samples_used, "samples_flagged": supply.samples_flagged}
    return _finding(study, "supply", title, unit, status=status, limit=limit, because=because, **ends, **counts)
