"""SI to what a person reads, in the rig's own units: the other edge. Unknown is "--", never zero, nor is what is no number.

`units` is "metric" or "us". Numbers are rounded to what crews and sensors can tell: a millimetre or a sixteenth of an
inch, a hundredth of a bar or a psi, a hundredth of a degree; and a length to less where its bound says so. What is shown can
be typed into a rig file again (`drivers.units`), and is then within half of its last digit.
"""

from __future__ import annotations

from math import ceil, degrees, floor, isfinite, log10

UNKNOWN = "--"

_INCH, _PSI, _LBF = 0.0254, 6894.757293168361, 4.4482216152605
_MILLIMETRES = (10, 5, 1)
_SIXTEENTHS = (16, 8, 4, 2, 1)
"""Steps that a rule or a tape is read in, the coarsest first."""


def length(m: float | None, units: str = "metric", bound_m: float | None = None) -> str:
    """A length: "62 mm", "1.20 m" from a metre up; or "2 7/16 in", "1 ft 4 3/8 in" from a foot up, as on a tape.

    `bound_m`: how far it may be off. It is then rounded to the coarsest step of the rule that is no more than that.
    """
    if m is None or not isfinite(m):
        return UNKNOWN
    if units == "us":
        return _tape(_inch_steps(m, bound_m))
    step = _step(_MILLIMETRES, bound_m, 1e-3)
    if abs(m) < 0.9995:
        return f"{round(m * 1e3 / step) * step} mm"
    return f"{m:.2f} m"


def bound(m: float | None, units: str = "metric") -> str:
    """How far a length may be off, rounded up so that no more is claimed than is known: "± 0.4 mm", "± 1/16 in", "± --"."""
    if m is None or not isfinite(m):
        return f"± {UNKNOWN}"
    if units == "us":
        return f"± {_tape(ceil(abs(m) / _INCH * 16 - _HAIR))}"
    tenths = ceil(abs(m) * 1e4 - _HAIR)
    return f"± {tenths / 10:.1f} mm" if tenths < 100 else f"± {ceil(tenths / 10)} mm"


def large(m: float | None, units: str = "metric", bound_m: float | None = None) -> tuple[str, str]:
    """(number, unit) of a length shown large: millimetres or inches whatever its size, ("62", "mm"), ("16 3/8", "in")."""
    if m is None or not isfinite(m):
        return UNKNOWN, ""
    if units == "us":
        return _tape(_inch_steps(m, bound_m), feet=False).removesuffix(" in"), "in"
    step = _step(_MILLIMETRES, bound_m, 1e-3)
    return _plain(round(m * 1e3 / step) * step, 0), "mm"


def pressure(pa: float | None, units: str = "metric") -> str:
    """A pressure: "2.71 bar" or "39 psi"."""
    if pa is None or not isfinite(pa):
        return UNKNOWN
    return f"{_plain(pa / _PSI, 0)} psi" if units == "us" else f"{_plain(pa / 1e5, 2)} bar"


def force(n: float | None, units: str = "metric", bound_n: float | None = None) -> str:
    """A force: "32.0 kN" or "7190 lbf"; with how far it may be off, "32 ± 2 kN"."""
    if n is None or not isfinite(n):
        return UNKNOWN
    unit, places, name = (_LBF, -1, "lbf") if units == "us" else (1e3, 1, "kN")
    return f"{known(n / unit, None if bound_n is None else bound_n / unit, places)} {name}"


def angle(rad: float | None, bound_rad: float | None = None) -> str:
    """An angle in degrees: "2.05°"; with how far it may be off, "15.3 ± 0.4°"."""
    if rad is None or not isfinite(rad):
        return UNKNOWN
    return f"{known(degrees(rad), None if bound_rad is None else degrees(bound_rad), 2)}°"


def volume(m3: float | None, units: str = "metric") -> str:
    """A volume, of free air as a rule: "316 L" or "11.2 ft³"."""
    if m3 is None or not isfinite(m3):
        return UNKNOWN
    return f"{_plain(m3 / (12 * _INCH) ** 3, 1)} ft³" if units == "us" else f"{_plain(m3 * 1e3, 0)} L"


def speed(m_s: float | None, units: str = "metric") -> str:
    """A speed: "6.1 mm/s" or "0.24 in/s"."""
    if m_s is None or not isfinite(m_s):
        return UNKNOWN
    return f"{_plain(m_s / _INCH, 2)} in/s" if units == "us" else f"{_plain(m_s * 1e3, 1)} mm/s"


def value(si: float | None, quantity: str, units: str = "metric") -> str:
    """Any sensor value of a named quantity."""
    if si is None or not isfinite(si):
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
        return f"{_plain(si * 1.8 - 459.67, 1)} °F" if units == "us" else f"{_plain(si - 273.15, 1)} °C"
    return f"{_plain(si * 1e3, 2)} m{'A' if quantity == 'current' else 'V'}"


def known(number: float, bound: float | None, places: int) -> str:
    """A number to as many places as are known, at most so many; behind it its bound, rounded up: "0.24 ± 0.02".

    `number`, `bound`: in the unit that the caller writes behind them. Without a bound, or with one of zero, the number alone.
    """
    if bound is None or not isfinite(bound) or bound <= 0.0:
        return _plain(number, places)
    places = min(places, -floor(log10(bound)))
    step = 10.0**-places
    return f"{_plain(number, places)} ± {_plain(ceil(bound / step - _HAIR) * step, places)}"


def _plain(number: float, places: int) -> str:
    """A rounded number without a minus before zero."""
    text = f"{number:.{places}f}" if places >= 0 else f"{round(number, places):.0f}"
    return text.lstrip("-") if text[0] == "-" and float(text) == 0.0 else text


_SMALL = {
    # quantity: (factor, unit) in metric and in us
    "length": ((1e3, "mm"), (1.0 / _INCH, "in")),
    "pressure": ((1e-2, "mbar"), (1.0 / _PSI, "psi")),
    "force": ((1.0, "N"), (1.0 / _LBF, "lbf")),
    "angle": ((degrees(1.0), "°"),) * 2,
    "temperature": ((1.0, "K"), (1.8, "°F")),
    "current": ((1e3, "mA"),) * 2,
    "voltage": ((1e3, "mV"),) * 2,
}


def small(si: float, quantity: str, units: str = "metric") -> str:
    """A small difference of a named quantity, finer than values are shown: "2.31 mbar", "0.0335 psi"."""
    factor, unit = _SMALL[quantity][units == "us"]
    return f"{si * factor:.3g} {unit}"


_HAIR = 1e-9
"""Of a step: what lies this little above one is rounding of binary numbers."""


def _step(steps: tuple[int, ...], bound_m: float | None, unit_m: float) -> int:
    """The coarsest step of a rule that is no more than the bound; the finest where there is none."""
    if bound_m is None or not isfinite(bound_m):
        return steps[-1]
    return next((it for it in steps if it * unit_m <= abs(bound_m) * (1.0 + _HAIR)), steps[-1])


def _inch_steps(m: float, bound_m: float | None) -> int:
    """A length in sixteenths of an inch, rounded to what is known."""
    step = _step(_SIXTEENTHS, bound_m, _INCH / 16)
    return round(m / (_INCH * step / 16)) * step


def _tape(sixteenths: int, *, feet: bool = True) -> str:
    """Sixteenths of an inch as a tape is read: "-7/16 in", "2 7/16 in", "1 ft 4 3/8 in"."""
    inches, part = divmod(abs(sixteenths), 16)
    whole_feet, inches = divmod(inches, 12) if feet and inches >= 12 else (0, inches)
    fraction = ""
    if part:
        bottom = 16
        while part % 2 == 0:
            part, bottom = part // 2, bottom // 2
        fraction = f"{part}/{bottom}"
    whole = str(inches) if inches or not fraction or whole_feet else ""
    words = filter(None, (f"{whole_feet} ft" if whole_feet else "", whole, fraction))
    return f"{'-' if sixteenths < 0 else ''}{' '.join(words)} in"
