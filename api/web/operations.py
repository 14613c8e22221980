"""Routes for whoever runs the service: is it alive, is it ready, its numbers. They tell the truth and no secrets."""

from collections import defaultdict
from typing import Any

import orjson
from fastapi import APIRouter, Request, Response

from analytics.assessment import Assessment
from api.health import Health, Measure
from api.web import schemas
from api.web.access import AnyCaller, Reader
from api.web.batteries import seen_by
from api.web.beliefs import believed
from api.web.house import HouseDep

ROUTER = APIRouter(tags=["operations"])
OPENMETRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"
MOST_BATTERIES = 1_000
"""Judgement: beyond it a fleet's metrics would be a second history; alerts and rounds are for that."""


class PartOut(schemas.Out):
    name: str
    works: bool
    says: str | None


class HealthOut(schemas.Out):
    status: str
    parts: list[PartOut]


@ROUTER.get("/healthz", summary="Is the process alive?", response_model=HealthOut)
async def healthz() -> Response:
    """Answers as long as the loop turns; says nothing of the parts."""
    return Response(orjson.dumps({"status": "alive", "parts": []}), media_type="application/json", headers={"Cache-Control": "no-store"})


@ROUTER.get("/readyz", summary="Does every needed part work?", response_model=HealthOut, responses={503: {"model": HealthOut}})
def readyz(house: HouseDep, caller: AnyCaller) -> Response:
    """503 if a needed part does not work. What is the matter is told only to those who may read."""
    health: Health = house.health()
    told = caller is not None and caller.may("read") and caller.fleet is None
    parts = [{"name": p.name, "works": p.works, "says": p.says if told else None} for p in health.parts]
    body = orjson.dumps({"status": "ready" if health.ready else "not ready", "parts": parts})
    return Response(body, 200 if health.ready else 503, media_type="application/json", headers={"Cache-Control": "no-store"})


@ROUTER.get(
    "/metrics",
    summary="Numbers in the OpenMetrics format",
    response_class=Response,
    responses={200: {"content": {OPENMETRICS: {"schema": {"type": "string"}}}}},
)
def metrics(request: Request, house: HouseDep, caller: Reader) -> Response:
    """Numbers of the service for those who see every fleet; numbers of the batteries that the caller may see for all."""
    known = believed(house, [b.id for b in seen_by(house, caller)[:MOST_BATTERIES]])
    measures = [m for battery_id, of in known.items() for m in _of_battery(battery_id, of.assessment)]
    if caller.fleet is None:
        measures += [*house.metrics(), Measure("restvolt_watchers", "gauge", "", "Pages that watch live.", house.live.watchers())]
        measures += [
            Measure("restvolt_part_works", "gauge", "", "1: this part works.", float(p.works), (("part", p.name),))
            for p in house.health().parts
        ]
    return Response(exposition(measures), media_type=OPENMETRICS, headers={"Cache-Control": "no-store"})


def _of_battery(battery_id: str, a: Assessment | None) -> list[Measure]:
    if a is None:
        return []
    labels = (("battery", battery_id),)
    found = (
        ("restvolt_battery_voltage_volts", "volts", "Voltage at the last reading.", a.voltage_v),
        ("restvolt_battery_current_amperes", "amperes", "Current at the last reading, positive while charging.", a.current_a),
        ("restvolt_battery_temperature_celsius", "celsius", "Temperature at the last reading.", a.temperature_c),
        ("restvolt_battery_state_of_charge_ratio", "ratio", "State of charge as believed.", _ratio(a.state_of_charge_pct)),
        ("restvolt_battery_state_of_charge_low_ratio", "ratio", "Low end of its 90 % interval.", _ratio(a.state_of_charge_low_pct)),
        ("restvolt_battery_state_of_charge_high_ratio", "ratio", "High end of its 90 % interval.", _ratio(a.state_of_charge_high_pct)),
        ("restvolt_battery_updated_timestamp_seconds", "seconds", "When this was believed, since 1970.", a.at_ms / 1000),
    )
    return [Measure(name, "gauge", unit, text, value, labels) for name, unit, text, value in found if value is not None]


def _ratio(pct: float | None) -> float | None:
    return None if pct is None else pct / 100


class _Collected:
    """What the metrics library asks for: an object that gives families."""

    def __init__(self, families: list[Any]) -> None:
        self.families = families

    def collect(self) -> list[Any]:
        return self.families


def exposition(measures: list[Measure]) -> bytes:
    """OpenMetrics 1.0 text of these measures; those of one name stand together."""
    from prometheus_client import CollectorRegistry  # here, not above: only those who scrape pay for it
    from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
    from prometheus_client.openmetrics.exposition import generate_latest

    grouped: dict[str, list[Measure]] = defaultdict(list)
    for measure in measures:
        grouped[measure.name].append(measure)
    families: list[Any] = []
    for name, group in grouped.items():
        first = group[0]
        kind = CounterMetricFamily if first.kind == "counter" else GaugeMetricFamily
        family = kind(name, first.help, labels=[key for key, _ in first.labels], unit=first.unit)
        for measure in group:
            family.add_metric([value for _, value in measure.labels], measure.value)
        families.append(family)
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Collected(families))
    text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
    return text
