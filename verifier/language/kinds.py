"""The closed table of crossing kinds and jurisdictions.

Used by models, packs and ``strikein new`` alike. The names of the GB kinds follow the trade's own
abbreviations (the "crossing types" sections of the published orders and rule books); the US and
other entries are described in plain words.
"""

from __future__ import annotations

KINDS: dict[str, str] = {
    "FP": "footpath crossing",
    "BW": "bridleway crossing",
    "UWC": "user-worked crossing",
    "UWC-T": "user-worked crossing with telephone",
    "MSL": "crossing with miniature stop lights",
    "MG": "manned gates",
    "MG-RTL": "manned gates with road traffic lights",
    "MCB": "manually controlled barriers, direct view",
    "MCB-R": "manually controlled barriers, remote",
    "MCB-CCTV": "manually controlled barriers with closed-circuit television",
    "MCB-OD": "manually controlled barriers with obstacle detection",
    "MCB-OC": "manually controlled barriers, on call",
    "AHB": "automatic half barriers",
    "AOCR": "automatic open crossing, remotely monitored",
    "AOCL": "automatic open crossing, locally monitored",
    "AOCL+B": "automatic open crossing, locally monitored, with barriers added",
    "ABCL": "automatic half barriers, locally monitored",
    "AFBCL": "automatic full barriers, locally monitored",
    "OC": "open crossing",
    "TMO": "crossing operated by the train crew",
    "US-FL": "flashing lights only (US)",
    "US-2Q": "two-quadrant barriers with flashing lights (US)",
    "US-4Q": "four-quadrant barriers with flashing lights (US)",
    "PRE-EMPT": "crossing linked with road junction lights (pre-emption)",
    "BRIDGE": "bridge or underpass: road and railway at different levels",
    "TEXTBOOK": "published problem, no crossing of the trade",
}

# Kinds at which road and railway never meet, so that no logic keeps them apart.
WITHOUT_LOGIC = frozenset({"BRIDGE"})

JURISDICTIONS: dict[str, str] = {
    "GB": "Great Britain",
    "US": "United States",
    "ANY": "no particular country",
}


def pack_fits(pack_kinds: tuple[str, ...], pack_jurisdiction: str, kind: str, jurisdiction: str) -> bool:
    """Whether a spec pack judges models of ``kind`` in ``jurisdiction``; a pack for ANY judges all."""
    return kind in pack_kinds and pack_jurisdiction in (jurisdiction, "ANY")
