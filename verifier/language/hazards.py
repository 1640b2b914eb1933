"""The hazard table: what can go wrong at a crossing, and at which kinds.

``specs/hazards.csv`` gives for each hazard its source and how the source was taken (``read``, or from
``memory``). Its kinds are partly in the words of the trade ("all with barriers"); ``MEANT_BY`` maps
each of these to codes of ``kinds.KINDS``.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from verifier.language.kinds import KINDS

_DIRECT = ("MCB", "MCB-R", "MCB-CCTV", "MCB-OD", "MCB-OC")
_LOCAL = ("AOCL", "AOCL+B", "ABCL", "AFBCL")
_US = ("US-FL", "US-2Q", "US-4Q")
_WITH_ROAD_LIGHTS = ("MG-RTL", *_DIRECT, "AHB", "AOCR", *_LOCAL, *_US, "PRE-EMPT")
_ACTIVE = ("MSL", "MG", *_WITH_ROAD_LIGHTS)

MEANT_BY: dict[str, tuple[str, ...]] = {
    "MCB": ("MCB", "MCB-R"),
    "MG": ("MG", "MG-RTL"),
    "US": _US,
    "all active": _ACTIVE,
    "all programmable": _ACTIVE,
    "all with road lights": _WITH_ROAD_LIGHTS,
    "all with barriers": (*_DIRECT, "AHB", "AOCL+B", "ABCL", "AFBCL", "US-2Q", "US-4Q"),
    "four-quadrant": ("US-4Q",),
    "AHB (large vehicles)": ("AHB",),
    "keeper-worked barrier with MSL": ("MSL",),
    # countries without a pack of their own; a link with road junction lights is a kind of its own
    "DE": ("PRE-EMPT",),
    "AT and any near a signalled junction": ("PRE-EMPT",),
}


@dataclass(frozen=True)
class Hazard:
    """One row. ``demand`` is the property in one sentence, ``how`` "read" or "memory"."""

    id: str
    says: str
    demand: str
    kinds: frozenset[str]
    mitigation: str
    source: str
    how: str


def hazards(table: Path) -> tuple[Hazard, ...]:
    """The rows of ``table``, a CSV file with the columns of ``specs/hazards.csv``.

    Raises
    ------
    KeyError
        A word for kinds that is neither a code nor in ``MEANT_BY``.
    """
    with table.open(encoding="utf-8", newline="") as file:
        return tuple(
            Hazard(
                row["id"],
                row["hazard"],
                row["property"],
                frozenset(code for word in row["applies_to"].split(";") for code in _codes(word)),
                row["mitigation"],
                row["source"],
                row["how"],
            )
            for row in csv.DictReader(file)
        )


def _codes(word: str) -> tuple[str, ...]:
    return MEANT_BY[word] if word in MEANT_BY or word not in KINDS else (word,)
