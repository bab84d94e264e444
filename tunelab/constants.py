"""Sourced numbers: constants of nature, reference states, composition of air.

Each name carries its unit. Nothing here belongs to one car: what does comes from the owner's files.
"""

from __future__ import annotations

# Molar gas constant, exact since the 2019 SI. J mol-1 K-1. Source: BIPM, The International System of Units, 9th ed.
# (product of the exact Boltzmann and Avogadro constants).
MOLAR_GAS_CONSTANT_J_MOL_K = 8.31446261815324

# Standard acceleration of free fall, exact. m s-2. Source: 3rd CGPM (1901); NIST SP 811 appendix B.8.
STANDARD_GRAVITY_M_S2 = 9.80665

# Standard atmosphere, exact. kPa. Source: 10th CGPM (1954); NIST SP 811 appendix B.8.
STANDARD_ATMOSPHERE_KPA = 101.325

# Standard atomic weights, abridged to five figures. g mol-1. Source: IUPAC CIAAW, standard atomic weights 2021.
CARBON_G_MOL = 12.011
HYDROGEN_G_MOL = 1.008
OXYGEN_G_MOL = 15.999

# Molar mass of dry air. g mol-1. Source: 40 CFR 1065.1005, table of molar masses.
DRY_AIR_G_MOL = 28.96559

# Oxygen in dry air by volume. Source: U.S. Standard Atmosphere, 1976, table 3 (20.9476 %) and ISO 2533; later
# compilations with more carbon dioxide give 20.946 %, which is used here.
OXYGEN_IN_AIR = 0.20946

# Gas constant of dry air. J kg-1 K-1. From the two numbers above.
DRY_AIR_GAS_CONSTANT_J_KG_K = MOLAR_GAS_CONSTANT_J_MOL_K / (DRY_AIR_G_MOL * 1e-3)

# Ratio of the heat capacities of dry air near room temperature. Source: any gas-dynamics text, from memory.
AIR_HEAT_CAPACITY_RATIO = 1.4

# Air density that SAE J1979 puts into absolute load (LOAD_ABS): dry air at 25 °C and 101.325 kPa. g L-1.
LOAD_REFERENCE_DENSITY_G_L = 1.184
