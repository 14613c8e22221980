"""The sender's clock is wrong by months or years and stays so: its readings are dated by when they come (ingest.wrong_clock finds it)."""

from analytics.assessment import Finding
from analytics.rules.rule import Judgement, Rule
from analytics.rules.wording import lasting, on_day
from analytics.view import View


def judge(view: View, standing: bool) -> Judgement:
    clock = view.sensors.clock
    if clock is None:
        return None
    off, behind = lasting(abs(clock.off_ms) / 3_600_000), clock.off_ms > 0
    return Finding(
        "sensor_clock",
        "low",
        f"The sensor's clock is {off} {'behind' if behind else 'ahead'}",
        f"Since {on_day(clock.since_ms)} its readings come in as they are taken, but their dates are {off} too {'early' if behind else 'late'}. "
        "Each is counted at the time it came.",
        "The battery is judged as before and nothing is lost; but should the clock jump once more, some readings may land at a wrong time.",
        "Set the clock of the sensor or its gateway, or let it reach a time service. A clock that forgets with each power cut wants a new cell.",
        "",
        (("clock_off_days", round(-clock.off_ms / 86_400_000, 2)), ("since_ms", clock.since_ms), ("sender", clock.who)),
        "judgement: stamps that go on at the pace of their arrival, months away from it",
    )


def over(view: View) -> str:
    return "The sensor's clock is right again; its readings count at their own time."


SENSOR_CLOCK = Rule("sensor_clock", 0, 0, judge, over)
