"""Weight and centre of gravity of a load from its parts: simple bodies of named materials.

A guide for planning, no weighing: the balance of the lift says later what the load really weighs.
"""

from __future__ import annotations

from math import fsum, pi

from monitor.rig.schema import Load, LoadPart

G0 = 9.80665
"""Standard acceleration of gravity, m/s^2 (exact; CGPM 1901)."""

_LB_FT3 = 0.45359237 / 0.3048**3

MATERIALS: dict[str, float] = {
    # kg/m^3
    "steel": 490 * _LB_FT3,  # Iowa DOT IM 569: 490 lb/ft3
    "cast iron": 450 * _LB_FT3,  # Iowa DOT IM 569: 450 lb/ft3
    "reinforced concrete": 150 * _LB_FT3,  # FEMA HERS student manual, USACE FOG section 1: 150 lb/ft3
    "masonry": 125 * _LB_FT3,  # USACE StS FOG section 1: 125 lb/ft3 (from memory)
    "wood": 35 * _LB_FT3,  # USACE StS FOG section 1: 35 lb/ft3 (from memory)
}
"""What a part may be made of."""

SIDES = {"box": 3, "slab": 3, "cylinder": 2}
"""How many lengths a shape has: length, width, height; a cylinder (upright) has diameter and height."""


def volume(part: LoadPart) -> float:
    """Volume of a part (m^3)."""
    if part.shape == "cylinder":
        diameter, height = part.size
        return pi / 4.0 * diameter * diameter * height
    length, width, height = part.size
    return length * width * height


def weight(part: LoadPart) -> float:
    """Weight of a part (N)."""
    return volume(part) * MATERIALS[part.material] * G0


def total_weight(load: Load) -> float | None:
    """The planned weight (N): as given, else from the parts; None if the file says neither."""
    if load.weight is not None:
        return load.weight
    return fsum(weight(part) for part in load.part) if load.part else None


def centre_of_gravity(load: Load) -> tuple[float, float, float] | None:
    """The planned centre of gravity (m, load frame): as given, else from the parts; None if the file says neither."""
    if load.centre_of_gravity is not None:
        return load.centre_of_gravity
    if not load.part:
        return None
    weights = [weight(part) for part in load.part]
    x, y, z = (
        fsum(w * part.at[k] for w, part in zip(weights, load.part, strict=True)) / fsum(weights) for k in range(3)
    )
    return x, y, z
