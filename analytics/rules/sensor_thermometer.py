"""A temperature that no battery has: 85 °C and -127 °C are what common digital thermometers send at start and when cut off."""

from analytics.assessment import Finding
from analytics.rules.rule import Judgement, Rule
from analytics.view import View

SPANS = 5
"""Judgement: one such value at start-up is usual; five minutes of them are a fault."""


def judge(view: View, standing: bool) -> Judgement:
    seen = view.sensors
    if seen.fault_c is None or seen.faults_c < SPANS:
        return None
    return Finding(
        "sensor_thermometer",
        "low",
        "The thermometer fails",
        f"The temperature reads {seen.fault_c:.0f} °C, which is a fault code or impossible. It is ignored.",
        "Frost warnings and charging voltages cannot be judged by temperature, and the charge is known less well.",
        "Check the thermometer's cable and plug.",
        "",
        (("temperature_c", seen.fault_c), ("seen_ms", seen.fault_c_ms)),
        "common practice, no source: power-on and disconnected codes of digital thermometers",
    )


def over(view: View) -> str:
    return "The thermometer reads plausibly again."


SENSOR_THERMOMETER = Rule("sensor_thermometer", 0, 0, judge, over)
