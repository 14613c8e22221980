"""Which phase of charging this is, from one span and what was held before. It judges nothing: verdicts are the rules'.

Without a current sensor only the voltage speaks: what stands still far above any rest voltage is regulated by a charger.
"""

from analytics.battery import Battery
from analytics.charging import window
from analytics.charging.memory import ChargingMemory, Held, Session
from analytics.span import Span
from analytics.value import new

CHARGING = frozenset(("bulk", "absorption", "float", "equalisation", "pulse", "charging"))

HELD_BAND_CELL_V = 0.006
"""Judgement: 35 mV for six cells holds a regulated voltage with 10 mV steps and noise, and lets go of a bulk charge."""
HELD_MS = 600_000
"""Judgement: a voltage regulated for ten minutes is a set-point."""
ALONE_MS = 1_500_000
"""Judgement: without a current sensor twenty-five minutes, for a slow bulk charge also seems to stand."""
KNOWN_MS = 120_000
"""Judgement: a set-point met again is recognised after two minutes; a voltage that only falls past it is not."""
FALLEN, FALLEN_C, HALVED = 0.85, 0.04, 0.5
"""Judgement: a current fallen at a held voltage, by 15 % and a twenty-fifth of the capacity per hour or to half, is limited by the voltage;
less falls with the sun, and the voltage hardly shows it."""
STANDING_MS = 2_700_000
"""Judgement: lead-acid that stands for three quarters of an hour near its absorption window is held there; unregulated it would climb."""
JUMP_CELL_V = 0.06
"""Judgement: a step of a third of a volt (six cells) must be seen twice."""
ABOVE_TOP_CELL_V = 0.03
"""Judgement: 0.18 V (six cells) above the fullest rest is not rest."""


def quiet_a(battery: Battery) -> float:
    """Currents smaller than this are nothing: two standard deviations of the sensor's offset, at least a thousandth of the capacity."""
    sensor_a, least_a = 2 * battery.sensor.current_offset_a, 0.001 * battery.rated_capacity_ah
    return sensor_a if sensor_a > least_a else least_a


def gives(current_a: float, quiet: float, phase: str) -> bool:
    """Whether it gives power. Judgement: a fifth of hysteresis, or a load as large as `quiet` would flicker between two words."""
    return current_a < -quiet * (0.8 if phase == "discharging" else 1.2)


def top_rest_v(battery: Battery) -> float:
    """The voltage above which no rested battery of this kind stands, surface charge aside."""
    kind, table = battery.kind, battery.rest_voltage_table
    if not kind.lead_acid:
        return 3.36 * battery.cells  # judgement: 98 % of the rest table; above it the curve leaves the plateau
    return kind.rest_voltage.rows[-1][1] * battery.cells if table is None else table[-1][1]


def lifted_v(battery: Battery) -> float:
    """Above this a voltage that stands still is held by a charger."""
    floor = 2.175 if battery.kind.lead_acid else 0.0  # judgement: 13.05 V for six cells; no rested lead-acid battery stands there
    return max(top_rest_v(battery) + ABOVE_TOP_CELL_V * battery.cells, floor * battery.cells)


def believed_v(span: Span, last_v: float | None) -> float:
    """The span's voltage without its single outliers."""
    n = span.readings
    if n >= 3:
        return (span.voltage_v * n - span.voltage_low_v - span.voltage_high_v) / (n - 2)
    if n == 2 and last_v is not None:
        low, high = span.voltage_low_v, span.voltage_high_v
        return low if abs(low - last_v) < abs(high - last_v) else high
    return span.voltage_v


def believed_a(span: Span) -> float | None:
    """The span's current without its single outliers (bursts of seconds are not a state)."""
    n = span.readings
    if span.current_a is None or n < 3 or span.current_low_a is None or span.current_high_a is None:
        return span.current_a
    return (span.current_a * n - span.current_low_a - span.current_high_a) / (n - 2)


def held_after(held: Held | None, voltage_v: float, current_a: float | None, span: Span, band_v: float) -> Held:
    """The voltage being held after this span; begins anew where it moved."""
    if held is None or abs(voltage_v - held.anchor_v) > band_v:
        at_v = round(voltage_v, 3)
        return new(Held, (span.begin_ms, at_v, at_v, current_a))
    since_ms, anchor_v, mean_v, peak = held
    if current_a is not None and (peak is None or current_a > peak):
        peak = current_a
    # A mean over about ten spans, faster at first.
    weight = 0.3 if span.end_ms - since_ms < 300_000 else 0.1
    return new(Held, (since_ms, anchor_v, round(mean_v + weight * (voltage_v - mean_v), 4), peak))


def phase_of(battery: Battery, memory: ChargingMemory, voltage_v: float, current_a: float | None, span: Span) -> str:
    """The phase after this span; `memory` already holds this span's slow means and held voltage."""
    if memory.pulse_score >= 4:
        return "pulse"
    if current_a is None:
        return _phase_by_voltage(battery, memory, voltage_v, span)
    quiet = quiet_a(battery)
    if (
        voltage_v > lifted_v(battery)
        and current_a > -0.02 * battery.rated_capacity_ah
        and _regulated(battery, memory, voltage_v, current_a, span)
    ):
        return _regulated_phase(battery, memory, voltage_v, current_a, span.temperature_c)
    if current_a > quiet:
        return "bulk" if current_a >= 0.02 * battery.rated_capacity_ah else "charging"
    return "discharging" if gives(current_a, quiet, memory.phase) else "resting"


def _regulated(battery: Battery, memory: ChargingMemory, voltage_v: float, current_a: float, span: Span) -> bool:
    """Held by a charger: the current falls while the voltage stands, or next to nothing flows far above rest."""
    held = memory.held
    if held is None or (memory.slow_a is not None and memory.slow_a < -quiet_a(battery)):
        return False  # what gives current for minutes is not held by a charger
    band, stood_ms = HELD_BAND_CELL_V * battery.cells, span.end_ms - held.since_ms
    if stood_ms >= KNOWN_MS and _known(battery, memory, voltage_v):
        return True
    if stood_ms < HELD_MS:
        return False
    if current_a <= 0.02 * battery.rated_capacity_ah and voltage_v >= held.anchor_v - band / 2:
        return True
    if stood_ms >= STANDING_MS and battery.kind.lead_acid:
        low_v = window.raised_v(battery, window.absorption_low_v(battery), span.temperature_c)
        if voltage_v >= low_v - 0.05 * battery.cells:
            return True
    peak = held.peak_a
    if peak is None or voltage_v < held.anchor_v - band / 2:
        return False
    fallen = current_a <= FALLEN * peak and peak - current_a >= FALLEN_C * battery.rated_capacity_ah
    return fallen or current_a <= HALVED * peak


def _known(battery: Battery, memory: ChargingMemory, voltage_v: float) -> bool:
    """Whether this is a set-point already measured in this session."""
    session = memory.running
    if session is None:
        return False
    points = (session.absorption_v, session.float_v, session.equalisation_v)
    return any(point is not None and abs(voltage_v - point) <= HELD_BAND_CELL_V * battery.cells for point in points)


def _regulated_phase(
    battery: Battery, memory: ChargingMemory, voltage_v: float, current_a: float | None, temperature_c: float | None
) -> str:
    session = memory.running
    absorbed_v = None if session is None else _absorbed_v(session)
    if voltage_v > window.raised_v(battery, window.absorption_high_v(battery) + 0.04 * battery.cells, temperature_c):
        return "equalisation"
    top_v = window.raised_v(battery, window.absorption_high_v(battery), temperature_c)
    if absorbed_v is not None and voltage_v > max(absorbed_v + 0.05 * battery.cells, top_v + 0.01 * battery.cells):
        return "equalisation"
    if absorbed_v is not None and voltage_v < absorbed_v - 0.03 * battery.cells:
        return "float"
    small = current_a is not None and current_a <= 0.03 * battery.rated_capacity_ah
    low = voltage_v <= window.raised_v(battery, window.float_high_v(battery) + 0.01 * battery.cells, temperature_c)
    return "float" if low and small and absorbed_v is None else "absorption"


def _phase_by_voltage(battery: Battery, memory: ChargingMemory, voltage_v: float, span: Span) -> str:
    held, slow_v = memory.held, memory.slow_v
    stood_ms = 0 if held is None else span.end_ms - held.since_ms
    if voltage_v > lifted_v(battery):
        if _plateau(battery, memory, voltage_v):
            return "bulk" if slow_v is None or voltage_v >= slow_v - 0.005 * battery.cells else "resting"
        if stood_ms >= ALONE_MS or (stood_ms >= KNOWN_MS and _known(battery, memory, voltage_v)):
            return _alone_phase(battery, memory, voltage_v, span.temperature_c)
        if slow_v is not None and voltage_v >= slow_v - 0.005 * battery.cells:
            return "bulk"
        return "resting"
    if slow_v is None:
        return "unknown"
    if voltage_v > slow_v + 0.025 * battery.cells and voltage_v > _half_rest_v(battery):
        return "charging"
    if stood_ms >= 3_600_000:
        return "resting"
    return "discharging" if voltage_v < slow_v - 0.003 * battery.cells else memory.phase if memory.phase != "bulk" else "unknown"


def _absorbed_v(session: Session) -> float | None:
    """The set-point that this session has absorbed at; a charger that goes too high at once has none but that of its "equalisation"."""
    if session.absorption_ms >= HELD_MS:
        return session.absorption_v
    return session.equalisation_v if session.equalisation_ms >= HELD_MS else None


def _plateau(battery: Battery, memory: ChargingMemory, voltage_v: float) -> bool:
    """Whether a lithium battery may stand this still by itself, in the flat middle of a constant-current charge."""
    if battery.kind.lead_acid or voltage_v > 3.47 * battery.cells:
        return False
    session = memory.running
    return session is None or session.absorption_ms == 0


def _half_rest_v(battery: Battery) -> float:
    """Rest voltage at about half charge; below it a rising voltage may as well be the recovery from a deep discharge."""
    table = battery.rest_voltage_table
    if table is not None:
        return table[len(table) // 2][1]
    rows = battery.kind.rest_voltage.rows
    return rows[len(rows) // 2][1] * battery.cells


def _alone_phase(battery: Battery, memory: ChargingMemory, voltage_v: float, temperature_c: float | None) -> str:
    """As with a current, but a low set-point without an absorption before it is float only where the rise to it was short."""
    phase = _regulated_phase(battery, memory, voltage_v, None, temperature_c)
    session = memory.session
    if phase != "absorption" or session is None:
        return phase
    low = voltage_v <= window.raised_v(battery, window.float_high_v(battery) + 0.01 * battery.cells, temperature_c)
    return "float" if low and session.absorption_ms == 0 and session.bulk_ms < 1_800_000 else "absorption"
