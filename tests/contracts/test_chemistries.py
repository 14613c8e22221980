"""Every chemistry fills every field, each figure sourced and in order; the rest-voltage curves are checked against outside rows."""

from dataclasses import fields

import pytest

from analytics.cautions import CAUTIONS
from analytics.chemistries import CHEMISTRIES
from analytics.chemistry import Band, Chemistry, Figure, Table
from tests.outside import fact, facts

EVERY = pytest.mark.parametrize("chemistry", CHEMISTRIES.values(), ids=CHEMISTRIES)


def at(table: Table, pct: float) -> float:
    """The table's second column at a first-column value, by straight lines."""
    for (x0, y0), (x1, y1) in zip(table.rows, table.rows[1:], strict=False):
        if x0 <= pct <= x1:
            return y0 + (y1 - y0) * (pct - x0) / (x1 - x0)
    raise ValueError(pct)


@EVERY
def test_every_figure_has_a_source_a_unit_and_an_ordered_range(chemistry: Chemistry) -> None:
    """A figure without a source or outside its own published range is a mistake."""
    for f in fields(chemistry):
        value = getattr(chemistry, f.name)
        if isinstance(value, Figure):
            assert value.low <= value.value <= value.high, f.name
            assert value.unit, f.name
            assert len(value.source) > 8, f.name
        elif isinstance(value, Band):
            assert value.low < value.high, f.name
            assert len(value.source) > 8, f.name
        elif isinstance(value, Table):
            assert len(value.source) > 8, f.name


@EVERY
def test_the_rest_voltage_curve_rises_from_empty_to_full(chemistry: Chemistry) -> None:
    """State of charge and voltage both rise strictly, so the curve can be read both ways."""
    pct = [p for p, _ in chemistry.rest_voltage.rows]
    volts = [v for _, v in chemistry.rest_voltage.rows]
    assert pct[0] == 0
    assert pct[-1] == 100
    assert pct == sorted(set(pct))
    assert volts == sorted(set(volts))


@EVERY
def test_the_charging_thresholds_are_in_order(chemistry: Chemistry) -> None:
    """Full rest voltage < float < absorption < equalisation, and the end of discharge lies below the empty rest voltage."""
    full = chemistry.rest_voltage.rows[-1][1]
    assert chemistry.float_charge.high <= chemistry.absorption.low
    assert chemistry.float_charge.low > full - 0.3
    if chemistry.equalisation is not None:
        assert chemistry.equalisation.low >= chemistry.absorption.high
    assert chemistry.end_of_discharge_v.value < chemistry.rest_voltage.rows[0][1] + 0.5
    assert chemistry.tail_current_c.high < chemistry.bulk_current_c.high


@EVERY
def test_only_lead_acid_freezes_and_only_lithium_is_barred_below_zero(chemistry: Chemistry) -> None:
    """Freezing belongs to acid; charging below 0 °C is forbidden to lithium alone."""
    assert (chemistry.freezing is not None) is chemistry.lead_acid
    assert (chemistry.charge_lowest_c.value >= 0) is not chemistry.lead_acid
    assert set(chemistry.cautions) <= set(CAUTIONS)


@pytest.mark.parametrize(("name", "prefix"), [("flooded", "OCV-FL-B-"), ("agm", "OCV-AGM-"), ("gel", "OCV-GEL-")])
def test_rest_voltages_lie_within_the_published_range(name: str, prefix: str) -> None:
    """Source: the rows' own (a battery council's table and a maker's manual, both from memory): each row within its spread."""
    rows = facts(prefix)
    assert len(rows) == 5
    for row in rows:
        pct = float(row.id.rsplit("-", 1)[1])
        assert 6 * at(CHEMISTRIES[name].rest_voltage, pct) == pytest.approx(row.value, abs=0.005), row.id


def test_flooded_rest_voltages_agree_with_bode_1977() -> None:
    """Source: H. Bode, Lead-Acid Batteries, 1977, at the densities of US Army TM 5-4210-230-14&P-1 Table 2: within 0.04 V for six cells."""
    for density, pct in ((1265, 100), (1225, 75), (1190, 50), (1155, 25), (1120, 0)):
        row = fact(f"BODE-SG-{density}")
        assert 6 * at(CHEMISTRIES["flooded"].rest_voltage, pct) == pytest.approx(row.value, abs=0.04), row.id


def test_lithium_rest_voltages_are_the_published_table() -> None:
    """Source: Sunil, Pattipati & Balasingam 2025, data table, and the four-cell values computed from it."""
    for row in facts("LFP-OCV4S"):
        pct = float(row.id.rsplit("-", 1)[1])
        assert 4 * at(CHEMISTRIES["lifepo4"].rest_voltage, pct) == pytest.approx(row.value, abs=0.002), row.id


def test_twelve_point_four_volts_is_not_one_state_of_charge() -> None:
    """Source: the three tables above: 12.40 V at rest is 69 % flooded, 58 % AGM, 54 % gel."""
    for name, row_id in (("flooded", "OCV-INT-1240-FLB"), ("agm", "OCV-INT-1240-AGM"), ("gel", "OCV-INT-1240-GEL")):
        assert CHEMISTRIES[name].storage_check_pct.value == pytest.approx(fact(row_id).value, abs=0.5)


def test_freezing_points_are_the_armys() -> None:
    """Source: US Army TM 5-4210-230-14&P-1, Table 2."""
    table = CHEMISTRIES["flooded"].freezing
    assert table is not None
    for row in facts("FRZ-B"):
        assert any(celsius == pytest.approx(row.value, abs=0.06) for _, celsius in table.rows), row.id
