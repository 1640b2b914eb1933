"""The look that all pictures share: fonts, and a word and two colours for each role.

Colour never carries meaning alone: every coloured cell also says the word.
"""

from __future__ import annotations

from dataclasses import dataclass

from verifier.language.model import Machine, Role

# DejaVu Sans and Verdana are nearly equal in width, so that boxes measured with one hold text in the other.
FONT = "DejaVu Sans,Verdana,sans-serif"
INK = "#1d2733"
QUIET = "#66717d"
RULE = "#b9c2cb"
ALARM = "#b3131b"
ALARM_TINT = "#fbe3e3"
ONSET = "#a35200"
ONSET_TINT = "#fdeedb"


@dataclass(frozen=True)
class Look:
    """How a role is shown: its word, a strong colour for white text, a tint for dark text."""

    word: str
    strong: str
    tint: str


LOOKS = {
    Role.TRAIN: Look("train", "#2d6a4b", "#cfe8da"),
    Role.CONTROL: Look("logic", "#24557f", "#cfe0ef"),
    Role.EQUIPMENT: Look("equipment", "#7a5c12", "#f2e4b8"),
    Role.ROAD_USER: Look("road user", "#6a3c7c", "#e6d6ee"),
    Role.OPERATOR: Look("operator", "#2a6468", "#cbe7e8"),
}
OBSERVER = Look("observer", "#4c5560", "#dfe3e7")

# Left to right as a closing goes: the train comes, the logic acts, the equipment follows.
ROLE_ORDER = tuple(LOOKS)


def look_of(machine: Machine) -> Look:
    return OBSERVER if machine.is_observer else LOOKS[machine.role]
