"""Stoichiometric ratios held against Heywood's formula and table, and the trade's round figures."""

import pytest

from analysis.conditions.fuels import blend_stoich_afr, parse_blend, stoichiometric_afr


@pytest.mark.parametrize(("y", "afr"), [(2.25, 15.13)])
def test_heywood_equation_3_6(y: float, afr: float) -> None:
    # J. B. Heywood, Internal Combustion Engine Fundamentals (1988), eq. 3.6 and its worked value for isooctane.
    assert stoichiometric_afr(y) == pytest.approx(34.56 * (4 + y) / (12.011 + 1.008 * y), rel=1e-12)
    assert stoichiometric_afr(y) == pytest.approx(afr, abs=0.005)


@pytest.mark.parametrize(
    ("carbon", "hydrogen", "oxygen", "afr"),
    [
        # Heywood, table D.4, (A/F)s by mass; from memory.
        (1, 4, 0, 17.23),  # methane
        (3, 8, 0, 15.67),  # propane
        (8, 18, 0, 15.13),  # isooctane
        (6, 6, 0, 13.27),  # benzene
        (7, 8, 0, 13.50),  # toluene
        (1, 4, 1, 6.47),  # methanol
        (2, 6, 1, 9.00),  # ethanol
    ],
)
def test_heywood_table_d4(carbon: int, hydrogen: int, oxygen: int, afr: float) -> None:
    assert stoichiometric_afr(hydrogen / carbon, oxygen / carbon) == pytest.approx(afr, abs=0.012)


@pytest.mark.parametrize("y", [0.5, 1.0, 1.85, 1.94, 2.25, 4.0])
@pytest.mark.parametrize("z", [0.0, 0.1, 0.5, 1.0])
def test_by_counting_atoms(y: float, z: float) -> None:
    # By hand: CH_y O_z + (1 + y/4 - z/2) (O2 + 3.773 N2), the air of Heywood section 3.2: 28.96 g for each mole.
    oxygen = 1 + y / 4 - z / 2
    air = oxygen * 4.773 * 28.96
    assert stoichiometric_afr(y, z) == pytest.approx(air / (12.011 + 1.008 * y + 16.0 * z), rel=5e-4)


@pytest.mark.parametrize(
    ("blend", "afr", "within"),
    [
        ("petrol", 14.7, 0.02),  # common practice
        ("E10", 14.1, 0.05),  # common practice
        ("E85", 9.8, 0.05),  # common practice
        ("E100", 9.0, 0.01),  # Heywood, table D.4 (from memory)
        ("methanol", 6.47, 0.01),  # the same
    ],
)
def test_blends_of_the_trade(blend: str, afr: float, within: float) -> None:
    assert blend_stoich_afr(parse_blend(blend)) == pytest.approx(afr, abs=within)
