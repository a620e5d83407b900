"""Moisture of wood: context for a neck that moves with the season."""

from __future__ import annotations

from .errors import InputError
from .profile import Finding


def equilibrium_moisture_percent(temperature_C: float, humidity_percent: float) -> float:
    """Return the equilibrium moisture content of wood, in percent of dry mass.

    Parameters
    ----------
    temperature_C
        Air temperature, -20 to 80 °C.
    humidity_percent
        Relative humidity, 0 to 100 %.

    Raises
    ------
    InputError
        Outside those ranges.

    Notes
    -----
    Wood Handbook (Forest Products Laboratory), chapter 4, after Simpson (1973); constants for degrees Celsius.
    """
    if not -20 <= temperature_C <= 80:
        raise InputError(f"temperature must be -20 to 80 °C, got {temperature_C:g}")
    if not 0 <= humidity_percent <= 100:
        raise InputError(f"relative humidity must be 0 to 100 %, got {humidity_percent:g}")
    t, h = temperature_C, humidity_percent / 100
    w = 349 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    bound = (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2)
    return 1800 / w * (kh / (1 - kh) + bound)


def climate_finding(temperature_C: float, humidity_percent: float) -> Finding:
    """Return what the air says about the wood, as context beside a plan.

    The usual room is taken as 40 to 60 % relative humidity (common practice, no published source).
    """
    moisture = equilibrium_moisture_percent(temperature_C, humidity_percent)
    air = f"air of {temperature_C:g} °C and {humidity_percent:g} % draws the wood towards {moisture:.1f} % moisture"
    if humidity_percent < 40:
        return Finding("climate-dry", f"{air}: dry; let the instrument settle in its own room before the last step")
    if humidity_percent > 60:
        return Finding("climate-humid", f"{air}: humid; let the instrument settle in its own room before the last step")
    return Finding("climate", f"{air}: a usual room")
