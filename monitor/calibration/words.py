"""What a calibration is said in: finer than crews read elsewhere, as it is a reference that is read."""

from __future__ import annotations

from math import degrees

from monitor import quantities as show
from monitor.rig.curve import Curve

_METRIC = {
    "length": (1e3, 2, "mm"),
    "pressure": (1e-5, 4, "bar"),
    "force": (1e-3, 3, "kN"),
    "angle": (degrees(1.0), 3, "°"),
    "temperature": (1.0, 2, "K"),
    "current": (1e3, 4, "mA"),
    "voltage": (1e3, 3, "mV"),
}
_US = _METRIC | {
    "length": (1.0 / 0.0254, 3, "in"),
    "pressure": (1.0 / 6894.757293168361, 2, "psi"),
    "force": (1.0 / 4.4482216152605, 1, "lbf"),
}


def precise(si: float, quantity: str, units: str = "metric") -> str:
    """A value of a quantity (SI) to what a good reference shows: "2.0137 bar"."""
    if quantity == "temperature" and units == "us":
        return f"{si * 1.8 - 459.67:.2f} °F"
    scale, places, unit = (_US if units == "us" else _METRIC)[quantity]
    return f"{si * scale:.{places}f} {unit}"


def fit_in_words(curve: Curve, quantity: str, units: str = "metric") -> str:
    """What the points make, in one line: slope, offset, how far the points are off, how sure it is."""
    off = ", ".join(f"{'+' if it >= 0.0 else '-'}{show.small(abs(it), quantity, units)}" for it in curve.residuals)
    sd = max(curve.sd(x) for x in curve.reads)
    how = "; no line, the points are joined piece by piece" if curve.bent else ""
    offset = curve.line.at(0.0)
    sign = "-" if offset < 0.0 else "+"
    return (
        f"true = {curve.gain:.5f} x read {sign} {show.small(abs(offset), quantity, units)}; points off it {off}{how};"
        f" {show.small(sd, quantity, units)} sd"
    )
