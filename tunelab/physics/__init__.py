"""Pure formulas on arrays: air, fuels, injectors, meter, load, driveline, road load.

A formula takes what the channels and the owner's files hold (kg/h, rpm, ms, g/min, kPa absolute, °C), as its argument
names say, broadcasts its arguments as numpy does, and gives NaN wherever an input is NaN.
"""
