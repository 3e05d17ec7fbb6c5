"""Drill sizes against ASME B94.11M, and the rules by which a carburettor answers a jet and the air."""

import math

import pytest

from analysis.mixture.jets import (
    NUMBER_DRILLS_INCH,
    Pull,
    Tried,
    afr_with_jet,
    air_change,
    levels,
    metric_jets,
    number_drills,
    present,
    response,
)

# ASME B94.11M, number sizes, diameters in inches, as given in the project's check values.
ASME = {
    60: 0.0400, 59: 0.0410, 58: 0.0420, 57: 0.0430, 56: 0.0465, 55: 0.0520, 54: 0.0550, 61: 0.0390, 62: 0.0380,
    63: 0.0370, 64: 0.0360, 65: 0.0350, 66: 0.0330, 67: 0.0320, 68: 0.0310, 69: 0.0292, 70: 0.0280, 71: 0.0260,
    72: 0.0250, 73: 0.0240, 74: 0.0225, 75: 0.0210, 76: 0.0200, 77: 0.0180, 78: 0.0160, 79: 0.0145, 80: 0.0135,
}  # fmt: skip


def test_number_drills() -> None:
    for number, inch in ASME.items():
        assert NUMBER_DRILLS_INCH[number] == inch
    by_name = {jet.name: jet.diameter_mm for jet in number_drills()}
    assert by_name["No. 57"] == pytest.approx(1.092, abs=5e-4)
    assert by_name["No. 58"] == pytest.approx(1.067, abs=5e-4)
    sizes = [NUMBER_DRILLS_INCH[n] for n in sorted(NUMBER_DRILLS_INCH, reverse=True)]
    assert sizes == sorted(sizes), "a lower number is a larger drill"


def test_area_rule() -> None:
    # Common practice: fuel flow goes with jet area at a fixed signal, so AFR with 1 / d^2.
    assert afr_with_jet(12.0, 1.0, 1.1) == pytest.approx(12.0 / 1.21)
    # One number drill, 57 to 58: 4.8 % of AFR.
    assert afr_with_jet(12.0, 1.0922, 1.0668) / 12.0 == pytest.approx((1.0922 / 1.0668) ** 2)


def test_root_of_density_rule() -> None:
    # The elementary carburettor (Heywood 1988, section 7.2): air mass flow goes with sqrt(rho_air dp), fuel mass
    # flow with sqrt(rho_fuel dp) at the same dp, so AFR with sqrt(rho_air).
    rho_fuel, dp, jet_area, throat_area = 745.0, 900.0, 9e-7, 5e-4

    def carburettor(rho_air: float) -> float:
        air = throat_area * math.sqrt(2 * rho_air * dp)
        return air / (jet_area * math.sqrt(2 * rho_fuel * dp))

    def tried(rho_air: float) -> Tried:
        return Tried(f"{rho_air}", 1.1, "", (Pull(13.4, carburettor(rho_air), 0.01),), rho_air, 14.7)

    drives = [tried(1.225), tried(1.0), tried(1.1)]
    # One carburettor and jet in three airs is one level, and comes out as itself in any air.
    assert levels(drives)[0] == pytest.approx([levels(drives)[0][0]] * 3, abs=1e-6)
    for rho_air in (1.25, 0.95):
        now = present(drives, drives[0], response(drives), density_kg_per_m3=rho_air)
        assert now.value == pytest.approx(carburettor(rho_air), rel=1e-5)
    # From sea level to 1500 m of the US Standard Atmosphere 1976 (1.225 to 1.058 kg/m3): 7 % richer.
    fluids = pytest.importorskip("fluids")
    change = air_change(fluids.ATMOSPHERE_1976(0).rho, fluids.ATMOSPHERE_1976(1500).rho)
    assert 12.5 * (1 + change) == pytest.approx(12.5 * 0.9295, abs=0.01)


def test_metric_jets() -> None:
    assert [jet.name for jet in metric_jets(0.05, 0.99, 1.16)] == ["1.00 mm", "1.05 mm", "1.10 mm", "1.15 mm"]
    assert [jet.diameter_mm for jet in metric_jets(0.025, 1.0, 1.05)] == [1.0, 1.025, 1.05]
