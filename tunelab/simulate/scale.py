"""Factors of the inner loop, which works on single numbers and cannot wait for `units.convert`; each is exact."""

KG_H = 3600.0  # kg/h in 1 kg/s
KG_H_IN_G_S = 3.6  # kg/h in 1 g/s
KM_H = 3.6  # km/h in 1 m/s
KILO = 1e3
MILLI = 1e-3
