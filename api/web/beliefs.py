"""What is believed of batteries now, from the live publisher or the ledger, with the last voltage that was really seen."""

from collections.abc import Sequence
from typing import NamedTuple

from analytics.assessment import Assessment
from analytics.battery import Battery
from analytics.reading import Reading
from api.web import wire
from api.web.house import House


class Believed(NamedTuple):
    """The newest assessment (None: nothing was ever heard) and when the battery was last heard."""

    assessment: Assessment | None
    heard_ms: int | None


def believed(house: House, battery_ids: Sequence[str]) -> dict[str, Believed]:
    """Of each of these. Two questions to the ledger at most, however many they are."""
    found = {battery_id: house.live.latest(battery_id) for battery_id in battery_ids}
    if untold := [battery_id for battery_id, assessment in found.items() if assessment is None]:
        found.update(house.ledger.latest_of(untold))
    return completed(house, found)


def completed(house: House, assessments: dict[str, Assessment | None]) -> dict[str, Believed]:
    """An assessment made by time alone carries no voltage: the last reading's is shown, with its own time as heard."""
    done: dict[str, Believed] = {}
    for battery_id, assessment in assessments.items():
        if assessment is not None and assessment.voltage_v is not None:
            done[battery_id] = Believed(assessment, assessment.at_ms)
        elif assessment is not None and (seen := house.live.measured(battery_id)) is not None:
            done[battery_id] = Believed(_with(assessment, seen), seen.at_ms)
    if unseen := [battery_id for battery_id in assessments if battery_id not in done]:
        last = house.ledger.last_of(unseen)
        for battery_id in unseen:
            assessment, reading = assessments[battery_id], last.get(battery_id)
            if assessment is not None and reading is not None:
                assessment = _with(assessment, reading)
            done[battery_id] = Believed(assessment, None if reading is None else reading.at_ms)
    return done


def _with(assessment: Assessment, seen: Reading | Assessment) -> Assessment:
    return assessment._replace(voltage_v=seen.voltage_v, current_a=seen.current_a, temperature_c=seen.temperature_c)


def states(house: House, batteries: Sequence[Battery]) -> list[wire.Json]:
    """As they travel, in the same order."""
    all_of_them, now_ms = believed(house, [b.id for b in batteries]), house.now_ms()
    return [wire.state(b, all_of_them[b.id].assessment, now_ms, all_of_them[b.id].heard_ms) for b in batteries]
