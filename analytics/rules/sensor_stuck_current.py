"""The shunt repeats one value while the voltage tells that something flows: stuck at its last value, or its wire is off."""

from analytics.assessment import Finding
from analytics.charging.phases import quiet_a, top_rest_v
from analytics.rules.rule import Judgement, Rule
from analytics.rules.wording import amperes, lasting, on_day
from analytics.view import View

HOUR_MS = 3_600_000
LEAST_MS = 2 * HOUR_MS
MOVED_V, MOVED_AT_ZERO_V = 0.08, 0.30
"""For six cells. Judgement: a steady current moves the voltage by less in hours. A shunt may honestly say next to nothing while surface
charge fades or a full battery is held, but not while a battery that is not full is lifted by tenths of a volt."""
NOT_FULL_CELL_V = 0.02
"""Judgement: 0.12 V (six cells) below the fullest rest, there is room for charge, and lifting it takes a current that must show."""
LEAST_SPANS = 12
"""Judgement: three or four equal readings are chance (10 mA steps, 15 mA noise); a dozen in a row are not."""
LATEST_MS = 24 * HOUR_MS
"""A slow fall over days is no contradiction. Judgement: looked at over one day."""


def judge(view: View, standing: bool) -> Judgement:
    seen = view.sensors
    if seen.same_a is None or seen.same_a_spans < LEAST_SPANS:
        return None
    since_ms = seen.last_ms - seen.same_a_ms
    moved_v, least_v = seen.same_a_high_v - seen.same_a_low_v, MOVED_V * view.model.volts
    if abs(seen.same_a) <= quiet_a(view.battery):
        room = seen.same_a_low_v < top_rest_v(view.battery) - NOT_FULL_CELL_V * view.battery.cells
        moved_v, least_v = seen.same_a_rise_v if room else 0.0, MOVED_AT_ZERO_V * view.model.volts
    if since_ms < LEAST_MS or moved_v < least_v or (not standing and since_ms > LATEST_MS and moved_v < 3 * least_v):
        return None
    return Finding(
        "sensor_stuck_current",
        "medium",
        "The current sensor repeats itself",
        f"The current has read {amperes(seen.same_a)} without the slightest change for {lasting(since_ms / HOUR_MS)}, since "
        f"{on_day(seen.same_a_ms)}, while the voltage moved by {1000 * moved_v:.0f} mV.",
        "What flows in and out is not seen, so the state of charge drifts; only the voltage still speaks.",
        "Check the cable and plug between the shunt and its sensor, and restart the sensor.",
        "",
        (("current_a", seen.same_a), ("since_ms", seen.same_a_ms), ("voltage_moved_v", round(moved_v, 3))),
        "judgement: a real current is never still to the milliampere while the voltage moves",
    )


def over(view: View) -> str:
    return "The current sensor speaks again."


SENSOR_STUCK_CURRENT = Rule("sensor_stuck_current", 0, 1800, judge, over)
