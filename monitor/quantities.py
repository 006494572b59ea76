"""SI to what a person reads, in the rig's own units: the other edge. Unknown is "--", never zero.

`units` is "metric" or "us". Numbers are rounded to what crews and sensors can tell: a millimetre or a sixteenth of an
inch, a hundredth of a bar or a psi, a hundredth of a degree.
"""

from __future__ import annotations

from math import degrees

UNKNOWN = "--"

_INCH, _PSI, _LBF = 0.0254, 6894.757293168361, 4.4482216152605


def length(m: float | None, units: str = "metric") -> str:
    """A length: "62 mm", "1.20 m" from a metre up; or "2 7/16 in", "4 ft 6 in" from a yard up."""
    if m is None:
        return UNKNOWN
    if units == "us":
        return _inches(m)
    return f"{_plain(m * 1e3, 0)} mm" if abs(m) < 0.9995 else f"{m:.2f} m"


def pressure(pa: float | None, units: str = "metric") -> str:
    """A pressure: "2.71 bar" or "39 psi"."""
    if pa is None:
        return UNKNOWN
    return f"{_plain(pa / _PSI, 0)} psi" if units == "us" else f"{_plain(pa / 1e5, 2)} bar"


def force(n: float | None, units: str = "metric") -> str:
    """A force: "32.0 kN" or "7190 lbf"."""
    if n is None:
        return UNKNOWN
    return f"{_plain(n / _LBF, -1)} lbf" if units == "us" else f"{_plain(n / 1e3, 1)} kN"


def angle(rad: float | None) -> str:
    """An angle in degrees: "2.05°"."""
    return UNKNOWN if rad is None else f"{_plain(degrees(rad), 2)}°"


def volume(m3: float | None, units: str = "metric") -> str:
    """A volume, of free air as a rule: "316 L" or "11.2 ft³"."""
    if m3 is None:
        return UNKNOWN
    return f"{_plain(m3 / (12 * _INCH) ** 3, 1)} ft³" if units == "us" else f"{_plain(m3 * 1e3, 0)} L"


def speed(m_s: float | None, units: str = "metric") -> str:
    """A speed: "6.1 mm/s" or "0.24 in/s"."""
    if m_s is None:
        return UNKNOWN
    return f"{_plain(m_s / _INCH, 2)} in/s" if units == "us" else f"{_plain(m_s * 1e3, 1)} mm/s"


def value(si: float | None, quantity: str, units: str = "metric") -> str:
    """Any sensor value of a named quantity."""
    if si is None:
        return UNKNOWN
    if quantity == "length":
        return length(si, units)
    if quantity == "pressure":
        return pressure(si, units)
    if quantity == "force":
        return force(si, units)
    if quantity == "angle":
        return angle(si)
    if quantity == "temperature":
        return f"{_plain(si - 273.15, 1)} °C"
    return f"{_plain(si * 1e3, 2)} m{'A' if quantity == 'current' else 'V'}"


def _plain(number: float, places: int) -> str:
    """A rounded number without a minus before zero."""
    text = f"{number:.{places}f}" if places >= 0 else f"{round(number, places):.0f}"
    return text.lstrip("-") if text[0] == "-" and float(text) == 0.0 else text


def _inches(m: float) -> str:
    sixteenths = round(abs(m) / _INCH * 16)
    sign = "-" if m < 0 and sixteenths else ""
    inches, part = divmod(sixteenths, 16)
    feet, inches = divmod(inches, 12) if inches >= 36 else (0, inches)
    fraction = ""
    if part:
        bottom = 16
        while part % 2 == 0:
            part, bottom = part // 2, bottom // 2
        fraction = f"{part}/{bottom}"
    whole = str(inches) if inches or not fraction else ""
    return f"{sign}{f'{feet} ft ' if feet else ''}{' '.join(filter(None, (whole, fraction)))} in"
