"""The voltage stands still while charge is drawn: a voltmeter that repeats its last value hides a battery that runs empty."""

from analytics.assessment import Finding
from analytics.rules.rule import Judgement, Rule
from analytics.rules.wording import lasting, on_day
from analytics.view import View

HOUR_MS = 3_600_000
LEAST_MS = 2 * HOUR_MS
DRAWN = 0.03
"""Part of the capacity. Judgement: some 30 mV of a lead-acid battery; LiFePO4, whose curve is flat, may give `DRAWN_FLAT`."""
DRAWN_FLAT = 0.10
NEVER_MS = 21 * 24 * HOUR_MS
"""Without a current: three weeks without a millivolt of change. Judgement: temperature alone moves it more."""


def judge(view: View, standing: bool) -> Judgement:
    seen = view.sensors
    if seen.same_v is None:
        return None
    since_ms = seen.last_ms - seen.same_v_ms
    drawn = (DRAWN if view.battery.kind.lead_acid else DRAWN_FLAT) * view.battery.rated_capacity_ah
    if not (since_ms >= LEAST_MS and seen.same_v_out_ah >= drawn) and since_ms < NEVER_MS:
        return None
    if view.ticked and not standing:
        return None
    drawn_ah = seen.same_v_out_ah
    why = f", while {drawn_ah:.1f} Ah were drawn" if drawn_ah >= drawn else "; warmth alone moves a battery's voltage by more"
    return Finding(
        "sensor_stuck_voltage",
        "medium",
        "The voltmeter repeats itself",
        f"The voltage has read {seen.same_v:.2f} V without the slightest change for {lasting(since_ms / HOUR_MS)}, since "
        f"{on_day(seen.same_v_ms)}{why}.",
        "Whether the battery is low cannot be told from this voltmeter."
        + (" Or it is well, and the current sensor shows a current that does not flow." if drawn_ah >= drawn else ""),
        "Measure the voltage by hand, note it, and check the sensor's connection to the battery.",
        "",
        (("voltage_v", round(seen.same_v, 3)), ("since_ms", seen.same_v_ms), ("drawn_ah", round(seen.same_v_out_ah, 2))),
        "judgement: drawn charge always moves a battery's voltage",
    )


def over(view: View) -> str:
    return "The voltmeter speaks again."


SENSOR_STUCK_VOLTAGE = Rule("sensor_stuck_voltage", 0, 1800, judge, over)
