"""What is believed of a battery now, from the live publisher or the ledger, with the last voltage that was really seen."""

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


def believed(house: House, battery_id: str, kept: Assessment | None = None) -> Believed:
    """`kept`: what the ledger has, if it was read already."""
    assessment = house.live.latest(battery_id) or kept or house.ledger.latest(battery_id)
    return completed(house, battery_id, assessment)


def completed(house: House, battery_id: str, assessment: Assessment | None) -> Believed:
    """An assessment made by time alone carries no voltage: the last reading's is shown, with its own time as heard."""
    if assessment is not None and assessment.voltage_v is not None:
        return Believed(assessment, assessment.at_ms)
    if assessment is not None and (seen := house.live.measured(battery_id)) is not None:
        return Believed(_with(assessment, seen), seen.at_ms)
    heard_ms = house.history.last_ms(battery_id)
    if assessment is None or heard_ms is None:
        return Believed(assessment, heard_ms)
    last = next(iter(house.history.readings(battery_id, heard_ms)), None)
    if last is not None:
        assessment = _with(assessment, last)
    return Believed(assessment, heard_ms)


def _with(assessment: Assessment, seen: Reading | Assessment) -> Assessment:
    return assessment._replace(voltage_v=seen.voltage_v, current_a=seen.current_a, temperature_c=seen.temperature_c)


def state(house: House, battery: Battery) -> wire.Json:
    assessment, heard_ms = believed(house, battery.id)
    return wire.state(battery, assessment, house.now_ms(), heard_ms)
