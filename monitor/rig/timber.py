"""What a box crib may carry and how high it may stand, by timber size. Guidance, no rating.

Figures of public rescue guides for sound, dry Douglas fir or southern pine, squared timbers laid crosswise, every contact
under load. Real timber, ground and an uneven load are for the authority in charge to judge; its word and the figures of
whoever made the cribbing go before these. No estimate of what a crib carries now lives here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from monitor.rig.schema import Crib

_LBF = 4.4482216152605
"""Newtons in a pound-force (exact: 0.45359237 kg * 9.80665 m/s^2)."""
_INCH, _FOOT = 0.0254, 0.3048
_PSI = _LBF / _INCH**2

_CAPACITY_LBF = {
    # California OES, Rescue Systems 1 (Dec 2000), ch. 30, p. 225
    ("4x4", 2): 24_000.0,
    # Rescue guides differ: 9 contacts x 6,000 lb = 54,000; California OES, the same page, 55,000; by the formula of
    # `contact_capacity` 55,125. The lowest.
    ("4x4", 3): 54_000.0,
    # "Shoring Systems for Structural Collapse - Part 1" (trade press repeating FEMA)
    ("6x6", 2): 60_000.0,
    # 9 contacts x 15,000 lb, the figure of a contact in rescue course slides; no guide read gives the whole crib
    ("6x6", 3): 135_000.0,
}
_ACTUAL_M = {"4x4": 3.5 * _INCH, "6x6": 5.5 * _INCH}
"""Side of a planed timber: half an inch less than its name (American lumber sizes, from memory: PS 20)."""
_BEARING_PA = 500.0 * _PSI
"""Stress across the grain at a contact: FEMA US&R Structural Collapse Technician course, module 2 (read second-hand)."""
_SLENDEST = 3.0
"""Height over width, at most: "Shoring Systems for Structural Collapse - Part 1"."""
_TALLEST_M = {"4x4": 4.0 * _FOOT, "6x6": 6.0 * _FOOT}
"""Height, at most: an encyclopaedia's page on box cribs; FEMA Structural Collapse Technician course (from memory)."""
_WET = 0.67
"""Share left in timber wetter than 19 %: wet-service factor for stress across the grain, NDS Supplement (from memory)."""


@dataclass(frozen=True, slots=True)
class CribGuidance:
    """What the guides say of one crib: load at most (N, spread evenly over all its contacts), height at most (m)."""

    capacity_n: float
    height_m: float


def crib_guidance(crib: Crib) -> CribGuidance:
    """Guidance for a crib as the rig file describes it; the authority in charge and the makers go before it.

    The capacity is that of dry timber, times 0.67 if `wet`. The height is three times the width, and never more than the
    cap of the timber's size.
    """
    capacity = _CAPACITY_LBF[crib.timber, crib.members] * _LBF * (_WET if crib.wet else 1.0)
    return CribGuidance(capacity, min(_SLENDEST * max(crib.width, 0.0), _TALLEST_M[crib.timber]))


def ground_area(crib: Crib) -> float:
    """What of a crib touches the ground (m^2): the timbers of its lowest layer, with no pad or solid layer under them."""
    return crib.members * _ACTUAL_M[crib.timber] * crib.width


def contact_capacity(timber: Literal["4x4", "6x6"], members: int) -> float:
    """Capacity (N) by formula: contacts x actual area x 500 psi. `members` a layer cross at members^2 contacts."""
    return members**2 * _ACTUAL_M[timber] ** 2 * _BEARING_PA
