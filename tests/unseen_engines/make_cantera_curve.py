"""Makes equilibrium_curve.csv: exhaust temperature against lambda by chemical equilibrium. Run once, by hand.

Test-only reference. Needs the package cantera (BSD-3), which the tests themselves do not.

Method, per lambda: iso-octane vapour and dry air at 330 K, 1 bar; isentropic compression (frozen) by 9.5;
combustion at constant volume to equilibrium; a loss of 22 % of the sensible energy gained; isentropic
expansion in shifting equilibrium back to the first volume; blowdown and displacement to 1 bar at the frozen
composition by the first law, h = u4 + p0*v4 (Heywood, Internal Combustion Engine Fundamentals, fuel-air
cycle; formula from memory). Thermodynamic data: NASA polynomials as shipped with Cantera, nasa_gas.yaml
(McBride, Zehe, Gordon, NASA/TP-2002-211556).
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

COMPRESSION = 9.5
HEAT_LOSS_SHARE = 0.22
PRODUCTS = (
    "CO2", "CO", "H2O", "H2", "O2", "N2", "OH", "NO", "H", "O", "N", "NO2", "N2O", "HO2", "CH4", "NH3", "HCN",
)  # fmt: skip
FUEL = "C8H18,isooctane"


def exhaust_temperature_K(gas: Any, lambda_: float) -> float:
    """Mean temperature [K] of the exhaust after blowdown to 1 bar, for one lambda."""
    gas.TP = 330.0, 1e5
    gas.set_equivalence_ratio(1.0 / lambda_, FUEL, "O2:0.20946, N2:0.79054")
    entropy, volume, energy_cold = gas.s, gas.v, gas.u
    gas.SV = entropy, volume / COMPRESSION
    energy_compressed = gas.u
    gas.equilibrate("UV")
    composition, burnt_K = gas.Y, gas.T
    gas.TD = 330.0, 1.0 / volume
    sensible_cold = gas.u
    gas.TDY = burnt_K, COMPRESSION / volume, composition
    loss = HEAT_LOSS_SHARE * (gas.u - sensible_cold - (energy_compressed - energy_cold))
    gas.UV = energy_compressed - loss, volume / COMPRESSION
    gas.equilibrate("UV")
    for step in range(1, 61):
        target = volume / COMPRESSION * COMPRESSION ** (step / 60)
        gas.SV = gas.s, target
        gas.equilibrate("SV")
    gas.HP = gas.u + 1e5 * gas.v, 1e5
    return float(gas.T)


def main() -> None:
    """Write the table beside this file."""
    import cantera

    species = {s.name: s for s in cantera.Species.list_from_file("nasa_gas.yaml")}
    gas = cantera.Solution(thermo="ideal-gas", species=[species[name] for name in (FUEL, *PRODUCTS)])
    grid = [round(0.70 + 0.01 * k, 2) for k in range(61)]
    path = Path(__file__).with_name("equilibrium_curve.csv")
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(
            f"# by make_cantera_curve.py, Cantera {cantera.__version__}, nasa_gas.yaml; iso-octane and air\n"
        )
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["lambda", "exhaust_C"])
        for lambda_ in grid:
            writer.writerow([f"{lambda_:.2f}", f"{exhaust_temperature_K(gas, lambda_) - 273.15:.2f}"])


if __name__ == "__main__":
    main()
