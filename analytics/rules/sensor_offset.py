"""The shunt shows a current when none flows, more than its maker states: proposed as a calibration."""

from analytics import estimate
from analytics.assessment import Finding
from analytics.rules.rule import Judgement, Rule
from analytics.rules.wording import amperes
from analytics.view import View

BEYOND = 2.5
"""Times the stated offset, with the nearer end of the 90 % interval. Judgement: rarer than one sensor in a hundred."""
GASSING_H = 6.0
GASSING_C = 0.001
"""Fraction of the capacity per hour. Judgement: what a lead-acid battery that a charger holds turns into gas looks like an offset of the
shunt; a worn one takes some 100 mA of 100 Ah at float."""


def judge(view: View, standing: bool) -> Judgement:
    offset = estimate.learned_offset(view.belief)
    if offset is None:
        return None
    stated_a = max(0.002, view.battery.sensor.current_offset_a)
    least_a = BEYOND * stated_a * (0.7 if standing else 1.0)
    if view.model.lead and view.care.lately_h >= GASSING_H:
        least_a += GASSING_C * view.model.capacity_ah
    nearer_a = max(offset.low, -offset.high)
    if nearer_a < least_a:
        return None
    day_ah = abs(offset.value) * 24
    return Finding(
        "sensor_offset",
        "low",
        f"The current sensor is off by {amperes(abs(offset.value))}",
        f"Counted charge and voltage agree only if the sensor shows {amperes(offset.value)} when nothing flows "
        f"({amperes(offset.low)} to {amperes(offset.high)}). Stated were {amperes(stated_a)}.",
        f"Uncorrected it counts {day_ah:.1f} Ah a day that never flowed. The estimate already allows for it; a load past the shunt "
        "would look the same.",
        f"Calibrate: with everything disconnected, set the sensor's zero, or give an offset of {amperes(-offset.value)} in its map.",
        "",
        (("current_offset_a", round(offset.value, 4)), ("current_offset_low_a", round(offset.low, 4)),
         ("current_offset_high_a", round(offset.high, 4)), ("stated_offset_a", stated_a)),
        "judgement: two and a half times the offset that the sensor's maker states",
    )  # fmt: skip


def over(view: View) -> str:
    return "The current sensor's zero is within what its maker states."


SENSOR_OFFSET = Rule("sensor_offset", 24 * 3600, 24 * 3600, judge, over)
