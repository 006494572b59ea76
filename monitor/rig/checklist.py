"""What is gone through before a lift: the rig file's own items, or the trade's where it has none."""

from __future__ import annotations

from monitor.rig.schema import ChecklistItem, Rig

USUAL = (
    "couplings fully seated and tug-tested",
    "supply and return hoses of each shore matched at both ends",
    "joined bags turned tight, fittings in line",
    "unused openings capped",
    "plates interlocked with the cribbing",
    "regulator set",
    "relief path clear",
    "nobody under the load",
    "who may call STOP is said",
)
"""The list where the rig file gives none (common practice, no source). It gives way to the makers' instructions."""


def checklist(rig: Rig) -> tuple[ChecklistItem, ...]:
    """The items in their order."""
    return tuple(rig.checklist) or tuple(ChecklistItem(item=item) for item in USUAL)
