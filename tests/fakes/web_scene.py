"""A scene of our own: a small hire fleet one winter morning, and a van with one battery. All names are invented.

Voltages at rest follow the product's own rest-voltage tables, so that what the page shows fits together.
"""

import atexit
import itertools
import math
import random
import shutil
import tempfile
import weakref
from collections.abc import Callable
from functools import cache
from itertools import count
from pathlib import Path

from analytics.assessment import AlertEvent, Anchor, Assessment, Details, Due, Finding, Forecast, Learned, Load
from analytics.batch import Batch
from analytics.battery import Battery
from analytics.cautions import CAUTIONS
from analytics.reading import Note, Reading
from api.database import Database
from api.ledger import SqlLedger
from api.ports import Alert, Message
from api.words import DAY_MS, HOUR_MS, MINUTE_MS

Sample = tuple[int, float, float | None, float | None, float, float, float, str]
"""time_ms, voltage_v, current_a, temperature_c, state of charge with its low and high end, charge phase."""

NOW_MS = 1_764_662_400_000
"""2025-12-02T08:00:00Z, a Tuesday morning."""


def rest_v(battery: Battery, pct: float) -> float:
    rows = [(p, v * battery.cells) for p, v in battery.kind.rest_voltage.rows]
    for (p0, v0), (p1, v1) in itertools.pairwise(rows):
        if pct <= p1:
            return v0 + (v1 - v0) * max(0.0, pct - p0) / (p1 - p0)
    return rows[-1][1]


def runs_low(battery: Battery, pct: float, days: tuple[int, int], load_ma: float) -> Finding:
    return Finding(
        "forecast_low", "medium", "Reaches its safe limit this week",
        f"About {pct:.0f} % is left and {load_ma:.0f} mA drain it while it rests. It reaches {battery.limit_pct:.0f} % in {days[0]} to {days[1]} days.",
        f"A lead battery that stands below {battery.limit_pct:.0f} % hardens inside (sulfation) and loses capacity for good.",
        "Charge it within these days. Switch the main switch off if nothing on board has to run.",
        f"{CAUTIONS['hydrogen']} {CAUTIONS['short_circuit']}",
        (("state_of_charge_pct", round(pct)), ("standing_load_ma", load_ma), ("days_until_limit_early", days[0]), ("days_until_limit_late", days[1])),
        "judgement: the owner's response time",
    )  # fmt: skip


def too_high() -> Finding:
    return Finding(
        "charge_over_voltage", "high", "Charged with too high a voltage",
        "14.92 V at 21 °C for 3 hours; 14.3 V is the most that this AGM battery should see at that temperature.",
        "An AGM battery cannot be refilled: each hour of this drives water out of it for good and warms it.",
        "Switch the charger to its AGM setting, or switch it off.",
        f"{CAUTIONS['hydrogen']} {CAUTIONS['hot']} {CAUTIONS['mains']}",
        (("voltage_v", 14.92), ("limit_v", 14.3), ("temperature_c", 21.0), ("hours", 3.0)),
        "common practice, no source",
    )  # fmt: skip


def silent(days: int) -> Finding:
    return Finding(
        "silence", "medium", f"Nothing heard for {days} days",
        f"The last reading came {days} days ago; until then one came every minute.",
        "Nothing can be said about the battery since. Sensor, gateway or its supply may have failed, or the battery is empty.",
        "Visit the vehicle: measure the battery's voltage and look whether the gateway has power.",
        CAUTIONS["short_circuit"], (("silent_days", days),), "judgement: three missed reports in a row",
    )  # fmt: skip


class Scene:
    """A ledger and a history on SQLite with content, and the clock at which it is so."""

    def __init__(self, path: Path, now_ms: Callable[[], int] = lambda: NOW_MS, days: int = 12) -> None:
        self.now_ms, self.days = now_ms, days
        self.database = Database(str(path), synchronous="NORMAL").open()
        self.ledger = SqlLedger(self.database)
        self.history = self.ledger.history
        weakref.finalize(self, self.database.close)

    def folder(self) -> Path:
        """Where a service on this scene keeps what is not in the database."""
        return self.database.path.with_suffix("")

    def stored(
        self,
        battery: Battery,
        pct: float,
        slope_pct_a_day: float,
        *,
        days: int | None = None,
        heard_ms: int = NOW_MS - 40_000,
        **more: object,
    ) -> None:
        """A vehicle in storage: falls steadily, has cold nights, was silent for two days a week ago."""
        chance, samples = random.Random(battery.id), list[Sample]()
        for at_ms in range(NOW_MS - (days or self.days) * DAY_MS, heard_ms + 1, 15 * MINUTE_MS):
            age = (NOW_MS - at_ms) / DAY_MS
            if 7.0 < age < 9.0:
                continue
            soc = min(100.0, pct + slope_pct_a_day * age)
            sure = 3.0 + 2.5 * (age % 9) / 9
            celsius = 4 + 5 * math.sin((at_ms / DAY_MS - 0.4) * 2 * math.pi) + 3 * math.sin(age / 5)
            volts = rest_v(battery, soc) + chance.gauss(0, 0.004)
            amps = -slope_pct_a_day / 100 * battery.rated_capacity_ah / 24 + chance.gauss(0, 0.004)
            samples.append(
                (at_ms, round(volts, 3), round(amps, 3), round(celsius, 1), soc, max(0, soc - sure), min(100, soc + sure), "resting")
            )
        self._keep(battery, samples, **more)

    def used(self, battery: Battery, *, days: int | None = None, **more: object) -> None:
        """A van in use: evenings take, the sun gives, one day a week on the hook-up."""
        chance, samples, soc = random.Random(battery.id), list[Sample](), 82.0
        step_ms, capacity = 15 * MINUTE_MS, battery.rated_capacity_ah
        for at_ms in range(NOW_MS - (days or self.days) * DAY_MS, NOW_MS, step_ms):
            hour, weekday = at_ms / HOUR_MS % 24, int(at_ms / DAY_MS) % 7
            load = 0.4 + (5.5 if 17 <= hour < 22 else 2.0 if 6 <= hour < 8 else 0.0) * chance.uniform(0.7, 1.2)
            sun = max(0.0, 9 * math.sin((hour - 8) / 8 * math.pi)) * chance.uniform(0.5, 1.1) if 8 < hour < 16 else 0.0
            hooked = weekday == 5 and 9 <= hour < 20
            given = min(20.0, (101 - soc) * 1.2) if hooked else sun * min(1.0, (100.5 - soc) / 6)
            amps = given - load
            soc = min(100.0, max(20.0, soc + amps * step_ms / HOUR_MS / capacity * 100))
            phase = (
                ("bulk" if soc < 85 else "absorption" if soc < 98.5 else "float")
                if amps > 0.5
                else "discharging"
                if load > 1
                else "resting"
            )
            volts = (
                rest_v(battery, soc)
                + 0.004 * amps
                + (1.25 if phase == "absorption" else 0.75 if phase != "discharging" and amps > 0.5 else 0.0)
            )
            celsius = 14 + 5 * math.sin((hour - 9) / 24 * 2 * math.pi) + chance.gauss(0, 0.2)
            sure = 4 + 3 * ((NOW_MS - at_ms) / DAY_MS % 7) / 7
            samples.append(
                (
                    at_ms,
                    round(volts + chance.gauss(0, 0.01), 3),
                    round(amps, 2),
                    round(celsius, 1),
                    soc,
                    soc - sure,
                    min(100, soc + sure),
                    phase,
                )
            )
        self._keep(battery, samples, **more)

    def _keep(self, battery: Battery, samples: list[Sample], **more: object) -> None:
        last = samples[-1]
        anchor = Anchor("rest", last[0] - 31 * HOUR_MS, last[4] + 1.4, last[4] + 2.2, 0.6)
        details = Details(last[0], **more)  # type: ignore[arg-type]
        kept = [(Reading(battery.id, *s[:4]), Assessment(battery.id, *s, anchor, details)) for s in samples]
        self.ledger.declare(battery, NOW_MS - 200 * DAY_MS, "settings file")
        self.ledger.commit(Batch(kept=kept, news={battery.id: kept[-1][1]}))

    def noted(self, *notes: Note) -> None:
        self.ledger.commit(Batch(notes=list(notes)))

    def alert(
        self, battery_id: str, finding: Finding, began_ms: int, ended_ms: int | None = None, taken_ms: int | None = None, by: str = "Ines"
    ) -> Alert:
        """Begun, taken on and ended as told."""
        alert_id = f"{battery_id}:{finding.rule}:{began_ms}"
        began = AlertEvent(alert_id, battery_id, finding.rule, "began", began_ms, finding.priority, "condition held for 900 s", finding)
        self.ledger.commit(Batch(events=[began]))
        if taken_ms is not None:
            self.ledger.acknowledge(alert_id, taken_ms, by)
        if ended_ms is not None:
            self.ledger.commit(Batch(events=[began._replace(kind="ended", at_ms=ended_ms, reason="condition gone for 3600 s")]))
        alert = self.ledger.alert(alert_id)
        assert alert is not None
        return alert

    def pushed(self, channel: str, message: Message, at_ms: int) -> None:
        """A message that was sent."""
        numbers = [number for number, event, _ in self.ledger.events_to_tell() if event.alert_id == message.alert_id]
        self.ledger.told(numbers, [(channel, message, at_ms)])
        (delivery,) = self.ledger.delivered(about=[message.battery_id])
        self.ledger.tried(delivery.id, at_ms, "sent", at_ms, None)


HERON = Battery(
    "heron", "agm", 110, vehicle="Heron, four berths", site="North yard", owner="Ines", next_hire="2025-12-12", rated_cycles=500
)
DIPPER = Battery("dipper", "flooded", 85, vehicle="Dipper, two berths", site="North yard", owner="Ines", next_hire="2025-12-19")
PLOVER = Battery("plover", "agm", 95, vehicle="Plover, six berths", site="Hill farm", owner="Tom")
CURLEW = Battery("curlew", "gel", 140, vehicle="Curlew, four berths", site="Hill farm", owner="Tom", next_hire="2025-12-05")
WAGTAIL = Battery("wagtail", "lifepo4", 100, cells=4, vehicle="Wagtail, campervan", site="North yard", owner="Ines")
BITTERN = Battery("bittern", "efb", 90, vehicle="Bittern, two berths", site="Hill farm", owner="Tom", next_hire="2026-02-01")
TERN = Battery("tern", "flooded", 105, vehicle="Tern, five berths", site="North yard", owner="Ines")
OTHERS = Battery("magpie", "agm", 100, vehicle="Magpie", site="Elsewhere", fleet="another fleet")
LINNET = Battery("linnet", "agm", 110, vehicle="Linnet, our van", site="", rated_cycles=500)


def forecast(battery: Battery, early_days: float, late_days: float | None) -> Forecast:
    late_ms = None if late_days is None else NOW_MS + round(late_days * DAY_MS)
    return Forecast(battery.limit_pct, NOW_MS + round(early_days * DAY_MS), late_ms, "charge balance")


def load_of(amps: float) -> Load:
    return Load(amps, 0.85 * amps, 1.15 * amps, NOW_MS - 9 * DAY_MS, "current")


@cache
def _folder() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="scene-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@cache
def _written(fill: Callable[[Scene], None], days: int) -> Path:
    """A database with this content, written once in the life of the process."""
    path = _folder() / f"{fill.__name__}-{days}.db"
    scene = Scene(path, days=days)
    fill(scene)
    scene.database.close()
    return path


COUNT = count()


def _copied(fill: Callable[[Scene], None], days: int) -> Scene:
    path = _folder() / f"{next(COUNT)}.db"
    shutil.copy(_written(fill, days), path)
    return Scene(path, days=days)


def fleet(days: int = 12) -> Scene:
    """A hire fleet: something of each sort. Every call gives a copy of its own."""
    return _copied(_fleet, days)


def van(days: int = 12) -> Scene:
    """One battery."""
    return _copied(_van, days)


def _fleet(scene: Scene) -> None:
    due = Due("check", NOW_MS + 5 * DAY_MS, "The last check was 26 days ago; in storage it is due every 30 days.")
    finding = runs_low(HERON, 58, (3, 5), 95)
    scene.stored(HERON, 57.6, 2.1, mode="stored", forecast=forecast(HERON, 3.1, 5.1), standing_load=load_of(0.095), findings=(finding,),
                 dues=(due,), learned=(Learned("usable_capacity_ah", 98.0, 91.0, 105.0),),
                 exposure=(("hours_below_limit", 0.0), ("lows", 1)),
                 ageing=(("equivalent_full_cycles", 61.4), ("usable_capacity_ah", 98.0)))  # fmt: skip
    scene.alert("heron", finding, NOW_MS - 14 * HOUR_MS)
    scene.stored(DIPPER, 78.0, 1.7, mode="stored", forecast=forecast(DIPPER, 8.2, 12.0), standing_load=load_of(0.06))
    scene.alert("dipper", runs_low(DIPPER, 78, (8, 12), 60), NOW_MS - 3 * HOUR_MS, taken_ms=NOW_MS - HOUR_MS)  # fmt: skip
    scene.used(PLOVER, mode="in use", findings=(too_high(),), forecast=Forecast(PLOVER.limit_pct, None, None, "charge balance"),
               session=(("charger", "mains charger, flooded profile"), ("absorption_v", 14.92), ("verdict", "too high for AGM")))  # fmt: skip
    scene.alert("plover", too_high(), NOW_MS - 3 * HOUR_MS)
    scene.stored(CURLEW, 81.0, 0.4, heard_ms=NOW_MS - 9 * DAY_MS - HOUR_MS, mode="stored", forecast=forecast(CURLEW, 41, 80))
    scene.alert("curlew", silent(9), NOW_MS - 9 * DAY_MS)
    scene.stored(WAGTAIL, 61.0, 0.2, mode="stored",
                 forecast=Forecast(WAGTAIL.limit_pct, None, None, "cannot judge: mid-range voltage of lithium tells nothing; charge it full once"))  # fmt: skip
    scene.stored(BITTERN, 93.0, 0.1, mode="stored", forecast=Forecast(BITTERN.limit_pct, None, None, "charge balance"), dues=(due,))
    scene.stored(TERN, 96.0, 0.1, mode="stored", forecast=Forecast(TERN.limit_pct, None, None, "charge balance"))
    scene.alert("tern", runs_low(TERN, 57, (1, 3), 40), NOW_MS - 4 * DAY_MS, ended_ms=NOW_MS - 30 * HOUR_MS, taken_ms=NOW_MS - 3 * DAY_MS)  # fmt: skip
    scene.stored(OTHERS, 50.0, 0.5)
    scene.noted(Note("heron", NOW_MS - 26 * DAY_MS, "check", 12.71, "Ines"), Note("heron", NOW_MS - 58 * DAY_MS, "charged", None, "Ines"))
    message = Message(finding.title, f"{finding.seen} {finding.advice}", "medium", f"heron:forecast_low:{NOW_MS - 14 * HOUR_MS}", "heron")
    scene.pushed("Ines/1", message, NOW_MS - 14 * HOUR_MS)


def _van(scene: Scene) -> None:
    scene.used(LINNET, mode="in use", forecast=forecast(LINNET, 1.4, 2.6), standing_load=load_of(0.38),
               dues=(Due("check_after_use", NOW_MS + 2 * DAY_MS, "The trip ended yesterday; it was not charged full since."),),
               learned=(Learned("usable_capacity_ah", 101.0, 95.0, 107.0),), ageing=(("equivalent_full_cycles", 23.8),))  # fmt: skip
