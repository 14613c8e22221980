"""The shunt is wired or configured the wrong way round: when its current rises, the voltage falls."""

from analytics.assessment import Finding
from analytics.rules.rule import Judgement, Rule
from analytics.sensors import step_ohm
from analytics.view import View

PART = 0.5
"""Of the expected resistance, with the sign turned. Judgement: held charging voltages give about zero, never a negative resistance."""


def judge(view: View, standing: bool) -> Judgement:
    ohm = step_ohm(view.sensors)
    if ohm is None or ohm > (-0.5 if standing else -1.0) * PART * view.model.ohms:
        return None
    return Finding(
        "sensor_reversed",
        "medium",
        "The current sensor is the wrong way round",
        f"Each time the sensor said that more current flowed in, the voltage fell, and the other way round ({view.sensors.steps:.0f} times lately). No battery does that.",
        "Charging is counted as discharging and the other way round, so the state of charge cannot be trusted.",
        "Turn the sign in the sensor's settings, or swap the two thin wires at the shunt.",
        "",
        (("apparent_resistance_ohm", round(ohm, 5)), ("load_steps", round(view.sensors.steps, 1))),
        "internal apparent resistance is positive (IEC 60050-482, entry 482-03-36, from memory); the margin is a judgement",
    )


def over(view: View) -> str:
    return "Voltage and current agree again."


SENSOR_REVERSED = Rule("sensor_reversed", 0, 0, judge, over)
